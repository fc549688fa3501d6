"""Cutoff rules, the results part of the protocol, and results."""

from typing import ClassVar

from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, IntegerRangeField
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.models.lab import Reading, Run, Sample, Unit
from results.surveillance import GUIDELINE_WORDS, Guideline
from results.units import exact_decimal, to_ug_per_g
from results.yes_no import comparator_shown
from screening.models import KitModel, Person, Protocol, Round
from staff.models import User


class Comparison(models.TextChoices):
    """How a value is compared with the cutoff."""

    AT_OR_ABOVE = ">=", _("at or above")
    ABOVE = ">", _("above")


class ResultsPolicy(models.Model):
    """Reporting, promises and alarms: the results part of a protocol."""

    protocol = models.OneToOneField(Protocol, on_delete=models.PROTECT, related_name="results")
    decimals = models.SmallIntegerField(_("decimals reported"), default=1)
    control_levels = models.SmallIntegerField(_("control levels a run needs"), default=2)
    contact_days = models.SmallIntegerField(_("days to first contact"), default=7)
    examination_days = models.SmallIntegerField(_("days to examination"), default=31)
    alarm_days = models.SmallIntegerField(_("days until the alarm"), default=90)
    fail_days = models.SmallIntegerField(_("days until it has failed"), default=180)
    report_days = models.SmallIntegerField(_("days to the report"), default=5)
    histology_working_days = models.SmallIntegerField(_("working days to histology"), default=10)
    auto_release_below = models.BooleanField(
        _("release clean results below by themselves"), default=False,
        help_text=_("Only readings that came from the analyser and that nothing stands in the way of."),
    )  # fmt: skip
    guideline = models.CharField(
        _("guideline for surveillance"), max_length=16, default=Guideline.EUROPEAN_2020.value,
        choices=[(key.value, words) for key, words in GUIDELINE_WORDS.items()],
    )  # fmt: skip
    villous_counts = models.BooleanField(_("a villous part makes an adenoma advanced"), default=True)
    surveillance_stop_age = models.SmallIntegerField(_("no surveillance from this age"), default=80)
    who_books = models.CharField(
        _("who books the examination"), max_length=4, default="site",
        choices=[
            ("site", _("the unit: it is asked for a date and gives one")),
            ("us", _("we, where we keep a unit's calendar; other units are asked for a date")),
        ],
    )  # fmt: skip
    surveillance_days_before = models.SmallIntegerField(
        _("days before its day on which a surveillance examination is taken up"), default=60
    )
    based_on = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="proposals", db_index=False
    )
    why = models.TextField(_("why this was changed"), blank=True, default="")
    withdrawn_by = models.ForeignKey(
        User, on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    unit_watch = models.BooleanField(
        _("hold a run whose readings look to be in the other unit"), default=False
    )
    near_cutoff_percent = models.SmallIntegerField(
        _("look at results this near under the cutoff, %"), default=0, help_text=_("0: off.")
    )
    letter_hold_minutes = models.SmallIntegerField(
        _("minutes after a release before its letters can be produced"), default=5, help_text=_("0: none.")
    )

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(decimals__range=(0, 2)), name="reporting_decimals_are_plausible"
            ),
            models.CheckConstraint(condition=Q(control_levels__range=(1, 3)), name="a_run_needs_controls"),
            models.CheckConstraint(
                condition=Q(surveillance_stop_age__range=(60, 110)), name="surveillance_stop_age_is_plausible"
            ),
            models.CheckConstraint(condition=Q(who_books__in=["site", "us"]), name="who_books_is_known"),
            models.CheckConstraint(
                condition=Q(guideline__in=[one.value for one in Guideline]), name="guideline_is_known"
            ),
            models.CheckConstraint(
                condition=Q(
                    contact_days__range=(1, 30),
                    examination_days__range=(7, 120),
                    report_days__range=(1, 60),
                    histology_working_days__range=(1, 60),
                    alarm_days__gt=F("examination_days"),
                    fail_days__gt=F("alarm_days"),
                    fail_days__lte=730,
                    surveillance_days_before__range=(0, 180),
                ),
                name="promises_and_alarms_are_in_order",
            ),
            models.CheckConstraint(
                condition=Q(near_cutoff_percent__range=(0, 50)), name="near_cutoff_is_plausible"
            ),
            models.CheckConstraint(
                condition=Q(letter_hold_minutes__range=(0, 240)), name="letter_hold_is_plausible"
            ),
        ]

    def __str__(self) -> str:
        return f"results section of {self.protocol}"


class CutoffRule(models.Model):
    """A dated cutoff for a sex and ages; no two overlap, and none is in force without a second person.

    `sex_key` is a one-value range (1 female, 2 male; 1–2 for everybody) so that the exclusion constraint needs no
    extension.
    """

    protocol = models.ForeignKey(Protocol, on_delete=models.PROTECT, related_name="cutoffs")
    sex_key = IntegerRangeField(_("sex"))
    ages = IntegerRangeField(_("ages"))
    valid = DateRangeField(_("in force"))
    cutoff_ug_g = models.DecimalField(_("cutoff, µg/g"), max_digits=8, decimal_places=3)
    comparison = models.CharField(
        _("comparison"), max_length=2, choices=Comparison.choices, default=Comparison.AT_OR_ABOVE
    )
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        constraints: ClassVar = [
            ExclusionConstraint(
                name="no_two_cutoff_rules_overlap",
                expressions=[("sex_key", "&&"), ("ages", "&&"), ("valid", "&&")],
                condition=Q(approved_by__isnull=False),
            ),
            models.CheckConstraint(condition=Q(cutoff_ug_g__range=(5, 200)), name="cutoff_is_plausible"),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True) | ~Q(approved_by=F("proposed_by")),
                name="cutoff_approved_by_a_second_person",
            ),
            models.CheckConstraint(
                condition=Q(comparison__in=[">=", ">"]), name="cutoff_comparison_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.comparison} {self.cutoff_ug_g} µg/g"


class Side(models.TextChoices):
    """Which side of the cutoff a result is on."""

    BELOW = "below", _("below")
    AT_OR_ABOVE = "at_or_above", _("at or above")


class Result(models.Model):
    """What the programme authorised: a version of a sample's result with everything that decided it (I7).

    Append-only but for `is_current` and `is_deciding`.
    """

    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="results", db_index=False)
    round = models.ForeignKey(Round, on_delete=models.PROTECT, related_name="results")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="results", db_index=False)
    version = models.SmallIntegerField(default=1)
    is_current = models.BooleanField(default=True)
    is_deciding = models.BooleanField(default=True)
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="results")
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="results")
    raw_value = models.DecimalField(max_digits=14, decimal_places=5)
    raw_unit = models.CharField(max_length=6, choices=Unit.choices)
    comparator = models.CharField(max_length=1, blank=True, default="")
    kit_model = models.ForeignKey(KitModel, on_delete=models.PROTECT, db_index=False)
    stool_mg = models.DecimalField(max_digits=6, decimal_places=3)
    buffer_ml = models.DecimalField(max_digits=6, decimal_places=3)
    reported_ug_g = models.DecimalField(max_digits=10, decimal_places=2)
    decimals = models.SmallIntegerField()
    side = models.CharField(max_length=12, choices=Side.choices)
    rule = models.ForeignKey(CutoffRule, on_delete=models.PROTECT, db_index=False)
    cutoff_ug_g = models.DecimalField(max_digits=8, decimal_places=3)
    comparison = models.CharField(max_length=2)
    sex_used = models.CharField(max_length=8)
    age_used = models.SmallIntegerField(null=True)
    exact_differs = models.BooleanField(default=False)
    qualitative = models.BooleanField(default=False, db_default=False)
    analysed_on = models.DateField()
    authorised_on = models.DateField()
    authorised_at = models.DateTimeField()
    authorised_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+", db_index=False)
    reason = models.TextField(blank=True, default="")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["sample", "version"], name="result_versions_in_order"),
            models.UniqueConstraint(
                fields=["sample"], condition=Q(is_current=True), name="one_current_result_a_chain"
            ),
            models.UniqueConstraint(
                fields=["round"], condition=Q(is_deciding=True), name="one_deciding_result_a_round"
            ),
            models.CheckConstraint(
                condition=Q(is_current=True) | Q(is_deciding=False), name="deciding_result_is_current"
            ),
            models.CheckConstraint(condition=Q(side__in=Side.values), name="result_side_is_known"),
            models.CheckConstraint(
                condition=Q(comparator__in=["", "<", ">"]), name="result_comparator_is_known"
            ),
            models.CheckConstraint(
                condition=Q(qualitative=False)
                | Q(reported_ug_g=F("cutoff_ug_g"), comparator=">", side="at_or_above")
                | Q(reported_ug_g=F("cutoff_ug_g"), comparator="<", side="below"),
                name="yes_or_no_rests_on_the_cutoff",
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["person"], name="result_of_person"),
            models.Index(fields=["authorised_on"], name="result_by_day"),
        ]

    def __str__(self) -> str:
        return f"{self.shown} – {self.get_side_display()}"

    @property
    def exact_shown(self) -> str:
        """The exact value in µg/g without its unit, for where it falls on the other side of the cutoff (R4)."""
        exact = to_ug_per_g(self.raw_value, self.raw_unit, self.buffer_ml, self.stool_mg)
        return format(exact_decimal(exact, 6), "f")

    @property
    def shown(self) -> str:
        """The value as people read it: comparator, reported value, unit."""
        value = f"{self.reported_ug_g:.{self.decimals}f}"
        sign = comparator_shown(self.comparator, yes_no=self.qualitative)
        return f"{sign + ' ' if sign else ''}{value} µg/g"
