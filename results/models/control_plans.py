"""Which controls a run needs, pass/fail checks, what was said about a control, and readings between good controls."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.control_rules import Action, RangeRule
from results.models.lab import Analyser, ControlReading, Reading, Run


class ControlPlan(models.Model):
    """The control scheme of an analyser (or of all) from a day on: levels, checks, rules and how often.

    Entered by one person, in force once another has confirmed it. A rule left empty is not applied.
    """

    RANGES: ClassVar = [
        (RangeRule.BOTH_BEYOND_2.value, _("one beyond +2 SD and one beyond −2 SD")),
        (RangeRule.RANGE_OVER_4.value, _("a range of more than 4 SD")),
    ]
    ACTIONS: ClassVar = [
        ("", _("not applied")),
        (Action.WARN.value, _("warn")),
        (Action.INVESTIGATE.value, _("look into it before tomorrow")),
        (Action.REJECT.value, _("reject")),
    ]

    analyser = models.ForeignKey(
        Analyser, on_delete=models.PROTECT, null=True, blank=True, related_name="control_plans",
        help_text=_("Empty: every analyser that has no scheme of its own."),
    )  # fmt: skip
    valid_from = models.DateField(_("in force from"))
    levels = models.SmallIntegerField(_("measured levels a run needs"), default=2)
    checks = models.SmallIntegerField(_("pass/fail checks a run needs"), default=0)
    every_samples = models.SmallIntegerField(_("controls after so many samples"), default=100)
    every_hours = models.SmallIntegerField(_("controls after so many hours"), default=4)
    range_rule = models.CharField(
        _("definition of R-4s"), max_length=16, choices=RANGES, default=RangeRule.BOTH_BEYOND_2.value
    )
    across_materials = models.BooleanField(_("count 4-1s and 10x over all levels too"), default=True)
    on_1_2s = models.CharField("1-2s", max_length=12, choices=ACTIONS, blank=True, default=Action.WARN.value)
    on_1_3s = models.CharField("1-3s", max_length=12, choices=ACTIONS, default=Action.REJECT.value)
    on_2_2s = models.CharField("2-2s", max_length=12, choices=ACTIONS, default=Action.REJECT.value)
    on_r_4s = models.CharField("R-4s", max_length=12, choices=ACTIONS, default=Action.REJECT.value)
    on_4_1s = models.CharField(
        "4-1s", max_length=12, choices=ACTIONS, blank=True, default=Action.INVESTIGATE.value
    )
    on_10x = models.CharField(
        "10x", max_length=12, choices=ACTIONS, blank=True, default=Action.INVESTIGATE.value
    )
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["-valid_from", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(levels__range=(1, 3), checks__range=(0, 3)), name="control_plan_needs_controls"
            ),
            models.CheckConstraint(
                condition=Q(every_samples__range=(1, 500), every_hours__range=(1, 24)),
                name="control_plan_rhythm_is_plausible",
            ),
            models.CheckConstraint(
                condition=Q(confirmed_by__isnull=True) | ~Q(confirmed_by=F("entered_by")),
                name="control_plan_confirmed_by_a_second_person",
            ),
            models.CheckConstraint(
                condition=Q(on_1_3s=Action.REJECT.value), name="beyond_three_sd_always_rejects"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.analyser or _('all analysers')}, {self.valid_from}"


class CheckLot(models.Model):
    """A lot of a pass/fail check for one analyser, entered by one person and confirmed by another."""

    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, related_name="check_lots")
    material = models.CharField(_("check"), max_length=40)
    lot = models.CharField(_("lot"), max_length=30)
    expected = models.CharField(_("what it must show"), max_length=80)
    opened_on = models.DateField(_("opened on"))
    expires_on = models.DateField(_("expires on"))
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["analyser", "material", "-opened_on"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(confirmed_by__isnull=True) | ~Q(confirmed_by=F("entered_by")),
                name="check_lot_confirmed_by_a_second_person",
            ),
            models.UniqueConstraint(fields=["analyser", "material", "lot"], name="one_row_per_check_lot"),
        ]

    def __str__(self) -> str:
        return f"{self.material}, lot {self.lot}"


class CheckReading(models.Model):
    """Whether one pass/fail check passed in a run; append-only."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="check_readings")
    check_lot = models.ForeignKey(CheckLot, on_delete=models.PROTECT, related_name="readings")
    position = models.CharField(max_length=6, choices=ControlReading.Position.choices)
    passed = models.BooleanField()
    lot_usable = models.BooleanField(default=True)
    read_at = models.DateTimeField()
    read_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["run", "pk"]

    def __str__(self) -> str:
        return f"{self.check_lot}: {_('passed') if self.passed else _('failed')}"


class ControlComment(models.Model):
    """What somebody found about a control reading or the rule it hit; append-only, several are allowed."""

    reading = models.ForeignKey(ControlReading, on_delete=models.PROTECT, related_name="comments")
    words = models.TextField(_("what was found and done"))
    said_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    said_at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["said_at", "pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(words=""), name="control_comment_says_something")
        ]

    def __str__(self) -> str:
        return self.words[:60]


class BracketedReading(models.Model):
    """A reading of a held run that nevertheless stands between complete controls in control; append-only.

    Without such a row no reading of a held run is released; the database checks the bracket when it is written.
    """

    reading = models.OneToOneField(
        Reading, on_delete=models.PROTECT, primary_key=True, related_name="bracketed"
    )
    until_seq = models.SmallIntegerField()
    at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(until_seq__gt=1), name="bracket_ends_after_its_beginning")
        ]

    def __str__(self) -> str:
        return f"reading {self.reading_id} until control {self.until_seq}"
