"""Figures that others tell the programme, because no row of the registry can answer them; what was told is kept."""

from typing import ClassVar

from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.db import models
from django.db.models import ExpressionWrapper, F, Func, Q, Value
from django.db.models.functions import ExtractDay
from django.db.models.lookups import Exact
from django.utils.translation import gettext_lazy as _

_DAY_AFTER = ExpressionWrapper(F("until") + 1, output_field=models.DateField())
_OUT_OF_TOLD, _MOST = (2, 3, 4, 5), 2_000_000_000


class ToldFigure(models.Model):
    """How many there were in whole months, as somebody outside told it; taken back with a reason, never changed.

    Two figures of the same kind never stand for the same month.
    """

    class Kind(models.IntegerChoices):
        COMPLAINTS = 1, _("complaints")
        CALLS = 2, _("telephone calls")
        REPORTS = 3, _("pathology reports")
        CANCERS = 4, _("bowel cancers of all residents")
        DEATHS = 5, _("deaths from bowel cancer of all residents")
        COST = 6, _("cost of the programme")

    OF_OTHERS: ClassVar[tuple[int, ...]] = _OUT_OF_TOLD
    """Kinds of which the denominator is told as well."""
    MOST: ClassVar[int] = _MOST

    kind = models.PositiveSmallIntegerField(_("what"), choices=Kind.choices)
    since = models.DateField(_("first day"))
    until = models.DateField(_("last day"))
    counted = models.PositiveIntegerField(_("counted"))
    out_of = models.PositiveIntegerField(_("out of"), null=True)
    source = models.CharField(_("told by"), max_length=120)
    told_at = models.DateTimeField()
    told_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", null=True
    )
    ended_why = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["kind", "-since", "-pk"]
        constraints: ClassVar = [
            # A one-value range of the kind: so the constraint needs no extension.
            ExclusionConstraint(
                name="no_month_is_told_twice",
                expressions=[
                    (Func(F("kind"), F("kind"), Value("[]"), function="int4range"), "&&"),
                    (Func(F("since"), F("until"), Value("[]"), function="daterange"), "&&"),
                ],
                condition=Q(ended_at=None),
            ),
            models.CheckConstraint(
                condition=Q(since__day=1, until__gt=F("since")) & Q(Exact(ExtractDay(_DAY_AFTER), 1)),
                name="told_for_whole_months",
            ),
            models.CheckConstraint(
                condition=Q(
                    kind__in=_OUT_OF_TOLD, out_of__isnull=False, out_of__gt=0, counted__lte=F("out_of")
                )
                | Q(kind__in=(1, 6), out_of=None),
                name="told_out_of_what",
            ),
            models.CheckConstraint(condition=Q(counted__lte=_MOST), name="told_within_reason"),
            models.CheckConstraint(condition=~Q(source=""), name="told_figure_says_by_whom"),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_by=None, ended_why="")
                | Q(ended_at__isnull=False, ended_by__isnull=False) & ~Q(ended_why=""),
                name="taken_back_with_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.since}–{self.until}: {self.counted}"

    @property
    def is_one_month(self) -> bool:
        """Whether it was told for a single month."""
        return self.since.replace(day=1) == self.until.replace(day=1)
