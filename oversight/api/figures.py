"""Indicators and the nightly proof for programs: the same figures as the pages, aggregates only."""

from typing import Any, ClassVar

from django.http import Http404
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request

from oversight.filters import FILTER_WORDS
from oversight.forms import asked_of
from oversight.indicators import BREAKDOWNS, indicators
from oversight.periods import default_period
from oversight.services.activity import happened
from oversight.services.figures import figures
from oversight.services.proofs import proof_latest, run_as_dict
from staff import clock
from staff.api.base import Reads, Shown, asked
from staff.api.does import Does
from staff.api.fields import Day, Shape

PART = "Oversight"


class FigureShape(Shape):
    """A figure in its unit with its counts, 95 % interval (in its unit, and in per cent), basis and how complete it is."""

    numerator = serializers.IntegerField()
    denominator = serializers.IntegerField()
    percent = serializers.FloatField(allow_null=True)
    value = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    value_low = serializers.FloatField(allow_null=True)
    value_high = serializers.FloatField(allow_null=True)
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)
    basis = serializers.CharField()
    maturity = serializers.CharField()
    passed_percent = serializers.IntegerField()
    too_few = serializers.BooleanField()


class CutShape(Shape):
    """One line of a breakdown."""

    key = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]
    figures = serializers.DictField(child=FigureShape())


class IndicatorsShape(Shape):
    """The figures of a period in total, and cut as asked.

    `only` are the filters asked for; `not_by` names the indicators that a filter does not belong to, which then count nobody.
    """

    since = serializers.DateField()
    until = serializers.DateField()
    cut_at = serializers.DateTimeField()
    counts = serializers.DictField(child=serializers.IntegerField(allow_null=True))
    only = serializers.DictField(child=serializers.CharField())
    not_by = serializers.DictField(child=serializers.ListField(child=serializers.CharField()))
    total = serializers.DictField(child=FigureShape())
    rows = CutShape(many=True)


class PeriodAsked(Shape):
    """Which days, by what the figures are cut, and of whom."""

    since = Day(required=False)
    until = Day(required=False)
    by = serializers.ChoiceField(choices=list(BREAKDOWNS.items()), required=False)

    def get_fields(self) -> dict[str, Any]:
        """Also every filter of the pages."""
        only = {name: serializers.CharField(required=False, max_length=12) for name in FILTER_WORDS}
        return super().get_fields() | only


class CheckShape(Shape):
    """What one check found."""

    name = serializers.CharField()
    severity = serializers.CharField()
    checked = serializers.IntegerField()
    violating = serializers.IntegerField()
    oldest_days = serializers.IntegerField(allow_null=True)


class ProofShape(Shape):
    """The latest proof that nobody falls through, check by check."""

    run = serializers.IntegerField()
    started_at = serializers.DateTimeField()
    seconds = serializers.FloatField()
    checks = CheckShape(many=True)


FIGURE = {
    "numerator": 40, "denominator": 60, "percent": 66.7, "value": 66.7, "unit": "%", "value_low": 54.05,
    "value_high": 77.32, "low": 54.1, "high": 77.3, "basis": "cohort", "maturity": "provisional", "passed_percent": 12, "too_few": True,
}  # fmt: skip
INDICATORS = {
    "since": "2026-06-01", "until": "2026-06-15", "cut_at": "2026-06-17T11:00:00Z",
    "counts": {"invited": 60, "people_back": 40, "oldest_open_days": None}, "only": {}, "not_by": {}, "total": {"uptake_90": FIGURE},
    "rows": [{"key": "female", "label": "female", "figures": {"uptake_90": FIGURE}}],
}  # fmt: skip
PROOF = {
    "run": 3, "started_at": "2026-06-17T02:00:00Z", "seconds": 1.2,
    "checks": [{"name": "P1", "severity": "P1", "checked": 60, "violating": 0, "oldest_days": None}],
}  # fmt: skip


class Indicators(Reads):
    """Indicators."""

    does: ClassVar = {
        "GET": Does(
            name="indicators", part=PART, summary="Every indicator of a period, as the pages show them",
            gives=IndicatorsShape, example=INDICATORS,
            query=(
                OpenApiParameter("since", {"type": "string", "format": "date"}, description="First day of the period."),
                OpenApiParameter("until", {"type": "string", "format": "date"}, description="Last day of the period."),
                OpenApiParameter("by", str, enum=list(BREAKDOWNS), description="Cut the figures by this."),
                *(OpenApiParameter(name, str, description=f"Only of this {name}, as in the address of the pages.") for name in FILTER_WORDS),
            ),
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The figures."""
        said, (first, last) = asked(request, PeriodAsked), default_period(clock.today())
        only = {name: said[name] for name in FILTER_WORDS if name in said}
        question = asked_of(
            since=said.get("since", first),
            until=said.get("until", last),
            by=said.get("by", "month"),
            only=only,
        )
        found = figures(question, list(indicators()))
        counts = happened(question)
        since, until = question.since, question.until
        return Shown(
            {
                "since": since,
                "until": until,
                "cut_at": found.cut_at,
                "counts": {name: getattr(counts, name) for name in counts.__slots__} if counts else {},
                "only": dict(question.only),
                "not_by": {
                    key: deaf for key, one in indicators().items() if (deaf := one.deaf_to(question.only))
                },
                "total": {key: figure.as_dict() for key, figure in found.total.figures.items()},
                "rows": [
                    {
                        "key": row.key,
                        "label": row.label,
                        "figures": {key: figure.as_dict() for key, figure in row.figures.items()},
                    }
                    for row in (found.rows if "by" in said else ())
                ],
            }
        )


class Proof(Reads):
    """The proof."""

    does: ClassVar = {
        "GET": Does(
            name="proof", part=PART, summary="The latest proof that nobody falls through", gives=ProofShape, example=PROOF
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The latest run; 404 before the first."""
        run = proof_latest()
        if run is None:
            raise Http404
        return Shown(ProofShape(run_as_dict(run)).data)
