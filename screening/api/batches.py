"""Invitation batches for programs: list, open, hand to the post."""

from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request

from screening.models import Area, Batch
from screening.services.batches import (
    LARGEST_BATCH,
    batch_counts,
    batch_dispatch,
    batch_open,
    batch_release,
)
from staff.api.base import Acts, Reads, Shown, page_of
from staff.api.does import Does
from staff.api.fields import Shape, Words
from staff.errors import RoundbookError

PART = "Batches"


class BatchShape(Shape):
    """An invitation batch."""

    id = serializers.IntegerField()
    number = serializers.CharField()
    opened_on = serializers.DateField()
    size = serializers.IntegerField()
    asked_for = serializers.IntegerField()
    dispatched_on = serializers.DateField(allow_null=True)


class BatchFullShape(BatchShape):
    """A batch with what became of its people."""

    people = serializers.IntegerField()
    sent = serializers.IntegerField()
    waiting = serializers.IntegerField()
    left_out = serializers.IntegerField()
    back = serializers.IntegerField()


class BatchGiven(Shape):
    """How many people, of which area."""

    size = serializers.IntegerField(min_value=1, max_value=LARGEST_BATCH)
    area = Words(required=False, max_length=12)


EXAMPLE = {
    "id": 3, "number": "B2026-003", "opened_on": "2026-06-15", "size": 60, "asked_for": 60, "dispatched_on": None,
}  # fmt: skip
FULL = EXAMPLE | {"people": 60, "sent": 0, "waiting": 60, "left_out": 0, "back": 0}


def _full(batch: Batch) -> dict[str, Any]:
    counts = batch_counts([batch])[batch.pk]
    told = {name: getattr(counts, name) for name in ("people", "sent", "waiting", "left_out", "back")}
    return dict(BatchShape(batch).data) | told


class Batches(Reads, Acts):
    """Batches."""

    does: ClassVar = {
        "GET": Does(name="batches", part=PART, summary="Batches, newest first", gives=BatchShape, example=EXAMPLE, paged=True),
        "POST": Does(
            name="batch_open", part=PART, summary="Open a batch of the people who are due longest", status=201,
            takes=BatchGiven, sends={"size": 60, "area": ""}, gives=BatchFullShape, example=FULL,
        ),
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of batches."""
        return Shown(page_of(request, Batch.objects.all(), BatchShape)[1])

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Open one."""
        area = Area.objects.filter(code=given["area"]).first() if given["area"] else None
        if given["area"] and area is None:
            raise RoundbookError("area_unknown", _("There is no area with this code."))
        batch = batch_open(by=self.by, size=given["size"], area=area)
        return Shown(_full(batch), headers={"Location": f"/api/batches/{batch.pk}"})


class OneBatch(Reads):
    """One batch."""

    does: ClassVar = {
        "GET": Does(
            name="batch", part=PART, summary="A batch and what became of its people", gives=BatchFullShape, example=FULL
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The batch with its counts."""
        return Shown(_full(get_object_or_404(Batch, pk=at["pk"])))


class ReleaseGiven(Shape):
    """Why it may go although the register's last file is old, where it is."""

    stale_note = Words(required=False, max_length=200)


class BatchRelease(Acts):
    """A second person's release."""

    does: ClassVar = {
        "POST": Does(
            name="batch_release", part=PART, summary="Release a batch that somebody else opened", gives=BatchFullShape,
            takes=ReleaseGiven, sends={"stale_note": ""}, example=FULL,
            words="Whoever may not be sent a kit as things stand is left out. Needed where the protocol asks for it.",
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Release it."""
        batch = get_object_or_404(Batch, pk=at["pk"])
        batch_release(by=self.by, batch=batch, stale_note=given["stale_note"])
        batch.refresh_from_db()
        return Shown(_full(batch))


class BatchDispatch(Acts):
    """Hand a batch to the post."""

    does: ClassVar = {
        "POST": Does(
            name="batch_dispatch", part=PART, summary="Hand a batch to the post", gives=BatchFullShape, sends={},
            example=FULL | {"dispatched_on": "2026-06-15", "sent": 60, "waiting": 0},
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Dispatch it."""
        batch = get_object_or_404(Batch, pk=at["pk"])
        batch_dispatch(by=self.by, batch=batch)
        batch.refresh_from_db()
        return Shown(_full(batch))
