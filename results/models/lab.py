"""Analysers, controls, runs, the inbox of readings, and samples."""

from typing import ClassVar

from django.conf import settings
from django.contrib.postgres.indexes import BrinIndex
from django.db import models
from django.db.models import F, Q
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from screening.models import Kit, Person, Return, Round
from staff.models import Move, Site, Subject


class Unit(models.TextChoices):
    """The units an analyser may show (UCUM codes)."""

    NG_ML = "ng/mL", "ng/mL"
    UG_G = "ug/g", "µg/g"


class Analyser(models.Model):
    """One analyser at one laboratory."""

    code = models.CharField(_("code"), max_length=20, unique=True)
    site = models.ForeignKey(Site, on_delete=models.PROTECT)
    name = models.CharField(_("name"), max_length=60)
    usual_unit = models.CharField(_("usual unit"), max_length=6, choices=Unit.choices, default=Unit.NG_ML)
    positions = models.SmallIntegerField(_("vials side by side"), default=1)

    def __str__(self) -> str:
        return self.name


class ControlLot(models.Model):
    """A lot of one control material for one analyser, with target and SD entered by one and confirmed by another."""

    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, related_name="control_lots")
    material = models.CharField(_("control"), max_length=40)
    level = models.SmallIntegerField(_("level"))
    lot = models.CharField(_("lot"), max_length=30)
    unit = models.CharField(_("unit"), max_length=6, choices=Unit.choices)
    target = models.DecimalField(_("target"), max_digits=10, decimal_places=3)
    sd = models.DecimalField(_("SD"), max_digits=10, decimal_places=3)
    opened_on = models.DateField(_("opened on"))
    expires_on = models.DateField(_("expires on"))
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["analyser", "level"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(sd__gt=0, target__gt=0), name="control_target_and_sd_positive"
            ),
            models.CheckConstraint(
                condition=Q(confirmed_by__isnull=True) | ~Q(confirmed_by=F("entered_by")),
                name="control_target_confirmed_by_a_second_person",
            ),
            models.UniqueConstraint(fields=["analyser", "level", "lot"], name="one_row_per_control_lot"),
        ]

    def __str__(self) -> str:
        return f"{self.material} {self.level}, lot {self.lot}"


class Run(models.Model):
    """A run on one analyser, opened with its controls and closed with them; without both nothing is released (R6)."""

    class Status(models.TextChoices):
        OPEN = "open", _("open")
        IN_CONTROL = "in_control", _("closed in control")
        HELD = "held", _("held by its controls")
        RESOLVED = "resolved", _("held, then resolved")
        REFUSED = "refused", _("never started: its opening controls were out")

    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, related_name="runs")
    day = models.DateField(_("day"))
    nth = models.SmallIntegerField(_("nth run of the day"), default=1)
    unit = models.CharField(_("unit confirmed on the display"), max_length=6, choices=Unit.choices)
    device_limit = models.DecimalField(
        _("limit set on the analyser for its own yes or no, in that unit"), max_digits=10, decimal_places=3, null=True
    )  # fmt: skip
    status = models.CharField(max_length=12, choices=Status.choices)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True)
    resolution = models.TextField(blank=True, default="")

    class Meta:
        ordering: ClassVar = ["-opened_at"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["analyser"], condition=Q(status="open"), name="one_open_run_an_analyser"
            ),
            models.UniqueConstraint(fields=["analyser", "day", "nth"], name="runs_of_a_day_are_counted"),
            models.CheckConstraint(
                condition=Q(status__in=["open", "refused"]) | Q(closed_at__isnull=False),
                name="ended_run_has_its_end",
            ),
            models.CheckConstraint(
                condition=~Q(status="resolved") | ~Q(resolution=""), name="resolved_run_says_how"
            ),
            models.CheckConstraint(
                condition=Q(device_limit__isnull=True) | Q(device_limit__gt=0), name="device_limit_above_zero"
            ),
        ]

    @property
    def standing_words(self) -> str:
        """How it stands in words; of a held run also what was done with it."""
        if self.status == self.Status.HELD and self.resolution:
            return str(_("held, settled: measured again"))
        if self.status == self.Status.RESOLVED:
            return str(_("held, then released by two people"))
        return str(self.get_status_display())

    def __str__(self) -> str:
        return f"{self.analyser}, {date_format(self.day)}, run {self.nth}"


class ControlReading(models.Model):
    """One reading of one control in a run, with the verdict of the control rules; append-only."""

    class Position(models.TextChoices):
        START = "start", _("start")
        MIDDLE = "middle", _("in between")
        END = "end", _("end")

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="control_readings")
    control = models.ForeignKey(ControlLot, on_delete=models.PROTECT, related_name="readings")
    position = models.CharField(max_length=6, choices=Position.choices)
    seq = models.SmallIntegerField()
    value = models.DecimalField(max_digits=10, decimal_places=3)
    z = models.DecimalField(max_digits=8, decimal_places=3)
    in_control = models.BooleanField()
    rule = models.CharField(max_length=40, blank=True, default="")
    read_at = models.DateTimeField()
    read_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["run", "seq"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "seq"], name="control_readings_in_order")
        ]

    def __str__(self) -> str:
        return f"{self.control}: {self.value}"


class Sample(Subject):
    """What is measured: born when a return is ready, belongs to the round its kit was sent for."""

    return_of = models.OneToOneField(Return, on_delete=models.PROTECT, related_name="sample")
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="+")
    round = models.ForeignKey(Round, on_delete=models.PROTECT, related_name="samples")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    serial = models.CharField(max_length=20)
    collected_earliest = models.DateField()
    usable_until = models.DateField()

    class Meta:
        indexes: ClassVar = [
            models.Index(
                fields=["state", "usable_until"], condition=~Q(state="reported"), name="sample_open_by_age"
            )
        ]
        constraints: ClassVar = [models.UniqueConstraint(fields=["serial"], name="a_serial_is_one_sample")]

    def __str__(self) -> str:
        return self.serial


class SampleMove(Move):
    """The ledger of samples."""

    subject = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="moves", db_index=False)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["subject", "seq"], name="sample_moves_in_order")
        ]
        indexes: ClassVar = [BrinIndex(fields=["recorded_at"], name="sample_moves_by_moment")]

    def __str__(self) -> str:
        return f"{self.event} → {self.to_state}"


class SampleTodo(models.Model):
    """A return that changed and whose sample must be taken in or recalled; written by the ledger's feed."""

    return_id = models.BigIntegerField()
    became = models.CharField(max_length=24)

    def __str__(self) -> str:
        return f"return {self.return_id}: {self.became}"


class ReadingsFile(models.Model):
    """One file an analyser exported, kept whole; the same file twice is recognised.

    A single message from a line has a row too, for its lines; its content is kept with the message.
    """

    class Kind(models.TextChoices):
        FILE = "file", _("file")
        MESSAGE = "message", _("message")

    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.FILE)
    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, unique=True)
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="files")
    content = models.BinaryField()
    lines = models.IntegerField(default=0)
    taken = models.IntegerField(default=0)
    loaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    loaded_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.name


class InboxLine(models.Model):
    """One line of a readings file with its verdict in words; nothing is lost, nothing guessed.

    `verdict` is `taken` for a reading that was stored, else the code of why not. Partitioned by month of `at`.
    """

    at = models.DateTimeField()
    file_id = models.BigIntegerField()
    line = models.IntegerField()
    raw = models.TextField()
    serial = models.CharField(max_length=40, blank=True)
    verdict = models.CharField(max_length=32)
    sentence = models.TextField()
    settled_note = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        managed = False
        db_table = "results_inboxline"
        ordering: ClassVar = ["file_id", "line"]

    def __str__(self) -> str:
        return f"line {self.line}: {self.verdict}"


class Reading(models.Model):
    """What the analyser said about one sample: raw, with its unit; append-only."""

    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="readings", db_index=False)
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="readings")
    file = models.ForeignKey(ReadingsFile, on_delete=models.PROTECT, null=True, related_name="readings")
    line = models.IntegerField(null=True)
    running_number = models.IntegerField(_("running number"))
    raw = models.CharField(max_length=40)
    comparator = models.CharField(max_length=1, blank=True, default="")
    value = models.DecimalField(max_digits=14, decimal_places=5, null=True)
    unit = models.CharField(max_length=6, choices=Unit.choices)
    flag = models.CharField(max_length=40, blank=True, default="")
    dilution = models.SmallIntegerField(_("diluted 1 to"), default=1, db_default=1)
    analyser_says = models.BooleanField(_("the analyser's own yes (at or above) or no"), null=True)
    qualitative = models.BooleanField(_("only yes or no"), default=False, db_default=False)
    analysed_on = models.DateField()
    read_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "running_number"], name="a_running_number_once_a_run"),
            models.CheckConstraint(
                condition=Q(comparator__in=["", "<", ">"]), name="reading_comparator_is_known"
            ),
            models.CheckConstraint(condition=Q(dilution__range=(1, 1000)), name="dilution_is_plausible"),
            models.CheckConstraint(
                condition=Q(qualitative=False)
                | Q(analyser_says=True, comparator=">", dilution=1)
                | Q(analyser_says=False, comparator="<", dilution=1),
                name="yes_or_no_stands_at_its_limit",
            ),
            models.CheckConstraint(
                condition=Q(value__isnull=False, value__gte=0) | ~Q(flag=""), name="reading_has_value_or_flag"
            ),
        ]
        indexes: ClassVar = [models.Index(fields=["sample"], name="reading_of_sample")]

    def __str__(self) -> str:
        return f"{self.raw} {self.unit}"
