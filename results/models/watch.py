"""Alarms of the patient watch, comparisons of lots and analysers, and rounds of external assessment."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.models.bench import LabLot
from results.models.lab import Analyser, Run


class WatchAlarm(models.Model):
    """What the patient watch noticed about a run's readings; append-only. While a run is held by one, nothing leaves it."""

    class Kind(models.TextChoices):
        UNIT_TOO_LARGE = "unit_too_large", _("readings look five times too large")
        UNIT_TOO_SMALL = "unit_too_small", _("readings look five times too small")

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="alarms")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    after = models.IntegerField(_("after so many readings"))
    at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(fields=["run", "kind"], name="an_alarm_once_a_run")]

    def __str__(self) -> str:
        return f"{self.run}: {self.get_kind_display()}"


class ComparisonSet(models.Model):
    """Samples measured with two lots or on two analysers; approved by a second person before the new one is used."""

    class Kind(models.TextChoices):
        LOT = "lot", _("a new lot against the one in use")
        ANALYSER = "analyser", _("two analysers on split samples")

    kind = models.CharField(_("what is compared"), max_length=8, choices=Kind.choices)
    known_lot = models.ForeignKey(LabLot, on_delete=models.PROTECT, null=True, blank=True, related_name="+", verbose_name=_("lot in use"))  # fmt: skip
    new_lot = models.ForeignKey(LabLot, on_delete=models.PROTECT, null=True, blank=True, related_name="comparisons", verbose_name=_("new lot"))  # fmt: skip
    known_analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, related_name="+", verbose_name=_("analyser"))  # fmt: skip
    new_analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, null=True, blank=True, related_name="+", verbose_name=_("other analyser"))  # fmt: skip
    cutoff_ug_g = models.DecimalField(max_digits=8, decimal_places=3)
    made_on = models.DateField()
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    approved_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")  # fmt: skip
    note = models.TextField(blank=True, default="")

    class Meta:
        ordering: ClassVar = ["-made_on", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(kind="lot", known_lot__isnull=False, new_lot__isnull=False)
                | Q(kind="analyser", new_analyser__isnull=False),
                name="comparison_names_both_sides",
            ),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True) | ~Q(approved_by=F("entered_by")),
                name="comparison_approved_by_a_second_person",
            ),
        ]

    def __str__(self) -> str:
        if self.kind == self.Kind.LOT:
            return f"{self.known_lot} → {self.new_lot}"
        return f"{self.known_analyser} ↔ {self.new_analyser}"


class ComparisonPair(models.Model):
    """One sample's two readings in µg/g; append-only."""

    comparison = models.ForeignKey(ComparisonSet, on_delete=models.PROTECT, related_name="pairs")
    serial = models.CharField(max_length=20)
    known_ug_g = models.DecimalField(max_digits=10, decimal_places=3)
    new_ug_g = models.DecimalField(max_digits=10, decimal_places=3)

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["comparison", "serial"], name="a_sample_once_a_comparison"),
            models.CheckConstraint(
                condition=Q(known_ug_g__gte=0, new_ug_g__gte=0), name="pair_is_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.serial}: {self.known_ug_g}, {self.new_ug_g}"


class AssessmentRound(models.Model):
    """One sample of a round of an external quality assessment scheme on one analyser."""

    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, related_name="assessments")
    scheme = models.CharField(_("scheme"), max_length=60)
    number = models.CharField(_("round and sample"), max_length=30)
    due_on = models.DateField(_("due on"))
    value = models.DecimalField(_("our value"), max_digits=10, decimal_places=3, null=True, blank=True)
    assigned = models.DecimalField(
        _("assigned value"), max_digits=10, decimal_places=3, null=True, blank=True
    )
    sd = models.DecimalField(_("SD of the scheme"), max_digits=10, decimal_places=3, null=True, blank=True)
    action = models.TextField(_("what was found and done"), blank=True, default="")
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-due_on", "-pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["analyser", "scheme", "number"], name="an_assessment_once_an_analyser"
            ),
            models.CheckConstraint(condition=Q(sd__isnull=True) | Q(sd__gt=0), name="assessment_sd_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.scheme} {self.number}, {self.analyser}"
