"""The release list and the results for programs; who is on a list is journalled."""

from typing import Any, ClassVar

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request

from results.api.runs import PART
from results.models import Result, Sample, Side
from results.services.authorise import (
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_not_needed,
    sample_retest,
)
from results.services.authorise_facts import candidates
from screening.access import people_listed
from staff.api.base import Acts, Reads, Shown, asked, page_of
from staff.api.does import Does
from staff.api.fields import Shape, Words
from staff.models import User

MOST = 5000
DECISIONS = ("at_or_above", "below", "retest", "not_needed")


class ObstacleShape(Shape):
    """What stands in the way of a release below."""

    code = serializers.CharField()
    detail = serializers.CharField(source="sentence")
    final = serializers.BooleanField()


class CandidateShape(Shape):
    """A sample that is ready to release."""

    sample = serializers.IntegerField(source="fact.sample_id")
    serial = serializers.CharField(source="fact.serial")
    side = serializers.CharField(source="side.value")
    clear_below = serializers.BooleanField()
    obstacles = ObstacleShape(many=True)


class ReleaseListShape(Shape):
    """What is ready to release, at most 5,000 samples."""

    items = CandidateShape(many=True)


class ReleasedShape(Shape):
    """How many results were released."""

    released = serializers.IntegerField()


class DecisionGiven(Shape):
    """What becomes of one sample, and why where it is not plain."""

    decision = serializers.ChoiceField(choices=[(one, one) for one in DECISIONS])
    reason = Words(required=False)


class SampleShape(Shape):
    """A sample and where it stands."""

    id = serializers.IntegerField()
    serial = serializers.CharField()
    round = serializers.IntegerField(source="round_id")
    state = serializers.CharField()
    due_on = serializers.DateField(allow_null=True)


class ResultShape(Shape):
    """A result as it was authorised."""

    id = serializers.IntegerField()
    serial = serializers.CharField(source="sample.serial")
    person = serializers.IntegerField(source="person_id")
    round = serializers.IntegerField(source="round_id")
    version = serializers.IntegerField()
    current = serializers.BooleanField(source="is_current")
    deciding = serializers.BooleanField(source="is_deciding")
    side = serializers.ChoiceField(choices=Side.choices)
    comparator = serializers.CharField()
    value = serializers.DecimalField(source="reported_ug_g", max_digits=10, decimal_places=2)
    unit = serializers.CharField(default="ug/g")
    cutoff = serializers.DecimalField(source="cutoff_ug_g", max_digits=8, decimal_places=3)
    comparison = serializers.CharField()
    analysed_on = serializers.DateField()
    authorised_at = serializers.DateTimeField()


class Filters(Shape):
    """Which results."""

    side = serializers.ChoiceField(choices=Side.choices, required=False)


CANDIDATE = {"sample": 31, "serial": "TK000000001M", "side": "below", "clear_below": True, "obstacles": []}
SAMPLE = {"id": 31, "serial": "TK000000001M", "round": 7, "state": "reported", "due_on": None}
RESULT = {
    "id": 51, "serial": "TK000000001M", "person": 41, "round": 7, "version": 1, "current": True, "deciding": True,
    "side": "below", "comparator": "", "value": "2.50", "unit": "ug/g", "cutoff": "20.000", "comparison": ">=",
    "analysed_on": "2026-06-17", "authorised_at": "2026-06-17T11:30:00Z",
}  # fmt: skip


def samples_of(by: User) -> QuerySet[Sample]:
    """The samples a client may know of: one bound to a laboratory those measured there."""
    ids, rows = by.site_ids, Sample.objects.all()
    return rows if ids is None else rows.filter(readings__run__analyser__site_id__in=ids).distinct()


def _ready(by: User) -> list[int]:
    rows = samples_of(by).filter(state="ready_to_authorise").order_by("pk")
    return list(rows.values_list("pk", flat=True)[:MOST])


class ReleaseList(Reads):
    """The release list."""

    does: ClassVar = {
        "GET": Does(
            name="release_list", part=PART, summary="What is ready to release, and what a person must look at",
            gives=ReleaseListShape, example={"items": [CANDIDATE]},
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The candidates."""
        return Shown(ReleaseListShape({"items": candidates(_ready(self.by))}).data)


class ReleaseBelow(Acts):
    """The bulk release."""

    does: ClassVar = {
        "POST": Does(
            name="release_below", part=PART, summary="Release every result below that nothing stands in the way of",
            gives=ReleasedShape, example={"released": 37}, sends={},
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Release them."""
        ids = None if self.by.site_ids is None else _ready(self.by)
        return Shown({"released": results_release_below(by=self.by, sample_ids=ids)})


class SampleDecide(Acts):
    """One sample's decision."""

    does: ClassVar = {
        "POST": Does(
            name="sample_decide", part=PART, summary="Release one sample, measure it again, or make no result of it",
            takes=DecisionGiven, sends={"decision": "at_or_above", "reason": ""}, gives=SampleShape, example=SAMPLE,
            words="A referral is opened in the same transaction as a result at or above.",
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Do what was decided."""
        sample = get_object_or_404(samples_of(self.by), pk=at["pk"])
        service: Any = {
            "at_or_above": result_release_at_or_above, "below": result_release_below, "retest": sample_retest,
            "not_needed": sample_not_needed,
        }[given["decision"]]  # fmt: skip
        service(by=self.by, sample=sample, reason=given["reason"])
        sample.refresh_from_db()
        return Shown(SampleShape(sample).data)


class Results(Reads):
    """Results."""

    does: ClassVar = {
        "GET": Does(
            name="results", part=PART, summary="Current results, newest first", gives=ResultShape, example=RESULT, paged=True,
            query=(OpenApiParameter("side", str, enum=Side.values, description="Only one side of the cutoff."),),
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of results; whose they are is journalled."""
        ids = self.by.site_ids
        rows = Result.objects.filter(is_current=True, **asked(request, Filters)).select_related("sample")
        if ids is not None:
            rows = rows.filter(run__analyser__site_id__in=ids)
        found, page = page_of(request, rows, ResultShape)
        people_listed(by=self.by, person_ids=[one.person_id for one in found], place="api:results")
        return Shown(page)
