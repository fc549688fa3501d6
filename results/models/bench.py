"""Lots of the laboratory with their stock, bench steps, places on an analyser, and the close of a day."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.models.lab import Analyser, Run, Sample
from screening.models import KitModel


class LabLot(models.Model):
    """A lot of reagent, consumable or calibrator, entered by one person and confirmed by another before its first use."""

    class Kind(models.TextChoices):
        REAGENT = "reagent", _("reagent")
        CONSUMABLE = "consumable", _("consumable")
        CALIBRATOR = "calibrator", _("calibrator")

    kind = models.CharField(_("kind"), max_length=10, choices=Kind.choices)
    analyser = models.ForeignKey(
        Analyser, on_delete=models.PROTECT, null=True, blank=True, related_name="lab_lots",
        help_text=_("Empty: used on every analyser."),
    )  # fmt: skip
    name = models.CharField(_("name"), max_length=60)
    lot = models.CharField(_("lot"), max_length=30)
    tests_per_unit = models.IntegerField(_("tests in one pack"), default=100)
    received_on = models.DateField(_("received on"))
    opened_on = models.DateField(_("opened on"), null=True, blank=True)
    expires_on = models.DateField(_("expires on"))
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    verified_note = models.CharField(_("how it was verified"), max_length=200, blank=True, default="")
    quarantine_note = models.CharField(_("why it is set apart"), max_length=200, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["kind", "name", "expires_on", "pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kind", "lot"], name="one_row_per_lab_lot"),
            models.CheckConstraint(condition=Q(tests_per_unit__gt=0), name="lab_lot_holds_tests"),
            models.CheckConstraint(
                condition=Q(confirmed_by__isnull=True) | ~Q(confirmed_by=F("entered_by")),
                name="lab_lot_confirmed_by_a_second_person",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name}, lot {self.lot}"


class StockCount(models.Model):
    """How many packs of a lot were left on a day; append-only, the newest counts."""

    lot = models.ForeignKey(LabLot, on_delete=models.PROTECT, related_name="counts")
    counted_on = models.DateField()
    packs_left = models.DecimalField(_("packs left"), max_digits=8, decimal_places=2)
    counted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-counted_on", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(packs_left__gte=0), name="stock_is_not_negative")
        ]

    def __str__(self) -> str:
        return f"{self.lot}: {self.packs_left}"


class RunLot(models.Model):
    """A lot that was scanned as in use when a run was opened or changed in it; append-only."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="lots")
    lot = models.ForeignKey(LabLot, on_delete=models.PROTECT, related_name="runs")
    scanned_at = models.DateTimeField()
    scanned_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "lot"], name="a_lot_is_scanned_once_a_run")
        ]

    def __str__(self) -> str:
        return f"{self.run}: {self.lot}"


class BenchSteps(models.Model):
    """The steps at the bench for a kit model on an analyser, from its leaflet; none is built in, none counts unapproved."""

    kit_model = models.ForeignKey(KitModel, on_delete=models.PROTECT, related_name="bench_steps")
    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, related_name="bench_steps")
    valid_from = models.DateField(_("in force from"))
    leaflet = models.CharField(_("leaflet and edition"), max_length=120)
    steps = models.TextField(_("steps, one a line"), help_text=_("The last one is reading the value."))
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["-valid_from", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(steps=""), name="bench_steps_say_something"),
            models.CheckConstraint(
                condition=Q(confirmed_by__isnull=True) | ~Q(confirmed_by=F("entered_by")),
                name="bench_steps_approved_by_a_second_person",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kit_model}, {self.analyser}, {self.valid_from}"

    @property
    def listed(self) -> list[str]:
        """The steps in order."""
        return [line.strip() for line in self.steps.splitlines() if line.strip()]


class BenchPlace(models.Model):
    """A vial in a numbered position of an analyser, from the scan before it is opened to its reading or its parking."""

    class State(models.TextChoices):
        LOADED = "loaded", _("in its position")
        CAPTURED = "captured", _("read")
        PARKED = "parked", _("parked")

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="places")
    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="places")
    position = models.SmallIntegerField(_("position"))
    state = models.CharField(max_length=8, choices=State.choices, default=State.LOADED)
    loaded_at = models.DateTimeField()
    loaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    note = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["run", "position"], condition=Q(state="loaded"), name="one_vial_a_position"
            ),
            models.UniqueConstraint(
                fields=["sample"], condition=Q(state="loaded"), name="one_position_a_vial"
            ),
            models.CheckConstraint(
                condition=Q(state="loaded") | Q(ended_at__isnull=False), name="ended_place_has_its_end"
            ),
            models.CheckConstraint(condition=~Q(state="parked") | ~Q(note=""), name="parked_vial_says_why"),
        ]

    def __str__(self) -> str:
        return f"{self.run}, position {self.position}: {self.sample}"


class DayClose(models.Model):
    """The close of a day on one analyser: its memory's count against ours, and what was noted; append-only."""

    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, related_name="closes")
    day = models.DateField()
    memory_count = models.IntegerField(_("results in the analyser's memory"))
    captured_count = models.IntegerField(_("results captured here"))
    note = models.TextField(_("waste, temperatures, remarks"), blank=True, default="")
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["-day"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["analyser", "day"], name="a_day_is_closed_once"),
            models.CheckConstraint(
                condition=Q(memory_count=F("captured_count")), name="closed_day_counts_match"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.analyser} {self.day}"
