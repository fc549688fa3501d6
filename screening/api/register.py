"""The register feed for programs: send a file, look how it goes, apply it or throw it away."""

from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request

from screening.models import RegisterLoad
from screening.routes_people import LARGEST_REGISTER
from screening.services.register import register_apply, register_discard, register_effect, register_stage
from screening.services.register_lines import COLUMNS
from staff.api.base import Acts, Reads, Shown, asked, page_of
from staff.api.does import Does
from staff.api.fields import Shape

PART = "Register"
REFUSED = 200
WAITING = (RegisterLoad.Status.STAGED, RegisterLoad.Status.HELD)


class LoadShape(Shape):
    """One register file and how far it has come."""

    id = serializers.IntegerField()
    file_name = serializers.CharField()
    whole_register = serializers.BooleanField(source="is_full")
    status = serializers.ChoiceField(choices=RegisterLoad.Status.choices)
    held_reason = serializers.CharField()
    lines = serializers.IntegerField()
    refused = serializers.IntegerField()
    created = serializers.IntegerField()
    changed = serializers.IntegerField()
    unchanged = serializers.IntegerField()
    staged_at = serializers.DateTimeField()
    applied_at = serializers.DateTimeField(allow_null=True)


class RefusedShape(Shape):
    """One line that was not taken, and why."""

    line = serializers.IntegerField()
    code = serializers.CharField()
    detail = serializers.CharField(source="sentence")


class LoadFullShape(LoadShape):
    """One register file with what it would do and its refused lines, at most 200 of them."""

    effect = serializers.DictField(child=serializers.IntegerField(), allow_null=True)
    refused_lines = RefusedShape(many=True)


class FileAsked(Shape):
    """What a file is called, and whether it holds the whole register."""

    file_name = serializers.CharField(max_length=200, default="register.csv")
    whole_register = serializers.BooleanField(default=False)


class ApplyGiven(Shape):
    """Whether a held file is released, on purpose."""

    release = serializers.BooleanField(default=False)


EXAMPLE = {
    "id": 12, "file_name": "register.csv", "whole_register": False, "status": "staged", "held_reason": "", "lines": 500,
    "refused": 0, "created": 500, "changed": 0, "unchanged": 0, "staged_at": "2026-06-17T09:00:00Z", "applied_at": None,
}  # fmt: skip
FULL = EXAMPLE | {
    "effect": {"created": 500, "changed": 0, "unchanged": 0, "deaths": 0, "leavers": 0},
    "refused_lines": [],
}
FILE = (
    OpenApiParameter(
        "file_name", {"type": "string", "maxLength": 200}, description="What the file is called."
    ),
    OpenApiParameter("whole_register", bool, description="Whether it holds everybody of the register."),
)
SENT = (
    ",".join(COLUMNS)
    + "\n0000000001,Fenwirth,Liora,1964-03-09,female,1 Mill Lane,,Quillport,0Q-417,01632960001,,en,Q1,P01,,\n"
)


class Loads(Reads, Acts):
    """Register files."""

    does: ClassVar = {
        "GET": Does(
            name="register_loads", part=PART, summary="Register files, newest first", gives=LoadShape, example=EXAMPLE,
            paged=True,
        ),
        "POST": Does(
            name="register_load_send", part=PART, summary="Send a register file to be checked and staged", status=201,
            gives=LoadShape, example=EXAMPLE, csv=True, sends=SENT, largest=LARGEST_REGISTER, query=FILE,
            words="UTF-8 CSV with a header row of the documented columns. Nothing is applied yet. The same file is found again.",
        ),
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of files."""
        return Shown(page_of(request, RegisterLoad.objects.all(), LoadShape)[1])

    def act(self, request: Request, given: bytes, **at: Any) -> Shown:
        """Stage a file."""
        said = asked(request, FileAsked)
        load = register_stage(
            by=self.by, content=given, file_name=said["file_name"], is_full=said["whole_register"]
        )
        return Shown(LoadShape(load).data, headers={"Location": f"/api/register-loads/{load.pk}"})


class Load(Reads):
    """One register file."""

    does: ClassVar = {
        "GET": Does(
            name="register_load", part=PART, summary="How far a register file has come, and what it would do",
            gives=LoadFullShape, example=FULL,
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """Progress, effect and refused lines."""
        load = get_object_or_404(RegisterLoad, pk=at["pk"])
        effect = register_effect(load) if load.status in WAITING else None
        counts = ("created", "changed", "unchanged", "deaths", "leavers", "unknown_practices", "missing")
        data = dict(LoadShape(load).data)
        data["effect"] = {name: getattr(effect, name) for name in counts} if effect else None
        data["refused_lines"] = RefusedShape(load.refused_lines.all()[:REFUSED], many=True).data
        return Shown(data)


class LoadApply(Acts):
    """Apply a file."""

    does: ClassVar = {
        "POST": Does(
            name="register_load_apply", part=PART, summary="Apply a staged file; a held one only with `release`",
            gives=LoadShape, example=EXAMPLE | {"status": "applied", "applied_at": "2026-06-17T09:01:00Z"},
            takes=ApplyGiven, sends={"release": False},
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Apply it."""
        load = get_object_or_404(RegisterLoad, pk=at["pk"])
        return Shown(LoadShape(register_apply(by=self.by, load=load, override_hold=given["release"])).data)


class LoadDiscard(Acts):
    """Throw a file away."""

    does: ClassVar = {
        "POST": Does(
            name="register_load_discard", part=PART, summary="Throw a file away that waits", gives=LoadShape,
            example=EXAMPLE | {"status": "discarded"}, sends={},
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Discard it."""
        load = get_object_or_404(RegisterLoad, pk=at["pk"])
        return Shown(LoadShape(register_discard(by=self.by, load=load)).data)
