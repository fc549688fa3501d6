"""Look-backs: everybody affected by a lot, a run, an analyser's hours, a delivery or a range of serials, until each one is settled."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.models.bench import LabLot
from results.models.lab import Analyser, ControlLot, Run, Sample
from results.models.results import Result
from screening.models import Delivery, KitDoubt, Lot
from staff import clock


class LookBack(models.Model):
    """One look-back: what is in doubt, why, who opened it and who agreed. Exactly one reference is set."""

    class Kind(models.TextChoices):
        KIT_LOT = "kit_lot", _("a lot of kits")
        LAB_LOT = "lab_lot", _("a lot of the laboratory")
        CONTROL_LOT = "control_lot", _("a control lot")
        RUN = "run", _("a run")
        HOURS = "hours", _("an analyser's hours")
        DELIVERY = "delivery", _("a delivery of post")
        KIT_DOUBT = "kit_doubt", _("kits that may lie beside another's letter")

    kind = models.CharField(_("what is in doubt"), max_length=12, choices=Kind.choices)
    kit_lot = models.ForeignKey(Lot, on_delete=models.PROTECT, null=True, related_name="+")
    lab_lot = models.ForeignKey(LabLot, on_delete=models.PROTECT, null=True, related_name="+")
    control_lot = models.ForeignKey(ControlLot, on_delete=models.PROTECT, null=True, related_name="+")
    run = models.ForeignKey(Run, on_delete=models.PROTECT, null=True, related_name="+")
    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, null=True, related_name="+")
    from_at = models.DateTimeField(null=True)
    until_at = models.DateTimeField(null=True)
    delivery = models.ForeignKey(Delivery, on_delete=models.PROTECT, null=True, related_name="+")
    kit_doubt = models.ForeignKey(KitDoubt, on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.TextField(_("why"))
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    closing_words = models.TextField(blank=True, default="")

    class Meta:
        ordering: ClassVar = ["-opened_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(reason=""), name="look_back_says_why"),
            models.CheckConstraint(
                condition=Q(kind="kit_lot", kit_lot__isnull=False) | Q(kind="lab_lot", lab_lot__isnull=False)
                | Q(kind="control_lot", control_lot__isnull=False) | Q(kind="run", run__isnull=False)
                | Q(kind="hours", analyser__isnull=False, from_at__isnull=False, until_at__gt=models.F("from_at"))
                | Q(kind="delivery", delivery__isnull=False) | Q(kind="kit_doubt", kit_doubt__isnull=False),
                name="look_back_names_what_is_in_doubt",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.reference}"

    @property
    def reference(self) -> str:
        """What is in doubt, in words."""
        if self.kind == self.Kind.HOURS:
            hours = [
                date_format(at.astimezone(clock.zone()), "DATETIME_FORMAT")
                for at in (self.from_at, self.until_at)
                if at is not None
            ]
            return f"{self.analyser}, {' – '.join(hours)}"
        return str(getattr(self, self.kind))


class LookBackRow(models.Model):
    """One affected sample of a look-back: what is done about it and when it was settled."""

    class Action(models.TextChoices):
        UNDECIDED = "", _("to be decided")
        RETEST = "retest", _("measured again from the kept vial")
        REINVITE = "reinvite", _("a new kit is sent")
        NOTHING = "nothing", _("nothing needed")

    look_back = models.ForeignKey(LookBack, on_delete=models.PROTECT, related_name="rows")
    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="look_backs")
    result = models.ForeignKey(Result, on_delete=models.PROTECT, null=True, related_name="look_backs")
    action = models.CharField(max_length=8, choices=Action.choices, blank=True, default="")
    note = models.TextField(blank=True, default="")
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True)
    settled_at = models.DateTimeField(null=True)
    settled_how = models.CharField(max_length=80, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["look_back", "pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["look_back", "sample"], name="a_sample_once_a_look_back"),
            models.CheckConstraint(
                condition=Q(settled_at__isnull=True) | ~Q(action=""), name="settled_row_was_decided"
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["result"], condition=Q(settled_at__isnull=True), name="look_back_unsettled")
        ]

    def __str__(self) -> str:
        return f"{self.look_back_id}: {self.sample}"


class VialDestroyed(models.Model):
    """A kept vial that was destroyed; append-only. Never while a look-back about it is open."""

    sample = models.OneToOneField(Sample, on_delete=models.PROTECT, related_name="destroyed")
    destroyed_at = models.DateTimeField()
    destroyed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.sample} {self.destroyed_at:%Y-%m-%d}"
