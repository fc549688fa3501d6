"""The post: deliveries as they reached the building, intake sessions, scans and returns."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from screening.models.kits import Kit
from staff.models import Move, Site, Subject


class Delivery(models.Model):
    """A sack or box of post as it reached the building; its arrival ends the transit clock."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT)
    arrived_on = models.DateField(_("arrived on"))
    arrived_at = models.DateTimeField(_("arrived at"))
    label = models.CharField(_("what it is"), max_length=60, blank=True, default="")
    hand_count = models.IntegerField(_("counted by hand"), null=True, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        verbose_name_plural = _("deliveries")
        ordering: ClassVar = ["-arrived_at"]

    def __str__(self) -> str:
        return f"{self.label or self.site} {self.arrived_on}"


class IntakeSession(models.Model):
    """One person's work through one delivery; it survives a crash and can be resumed by anybody."""

    delivery = models.ForeignKey(Delivery, on_delete=models.PROTECT, related_name="sessions")
    operator = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    started_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True)
    alarm_sequence = models.IntegerField(_("scan whose alarm waits for ACKNOWLEDGE"), null=True)

    def __str__(self) -> str:
        return f"session {self.pk}"


class Scan(models.Model):
    """Every scan as it was heard, also the refused ones; unique by session and sequence."""

    session = models.ForeignKey(IntakeSession, on_delete=models.PROTECT, related_name="scans")
    sequence = models.IntegerField()
    raw = models.CharField(max_length=200)
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, null=True, related_name="scans")
    outcome = models.CharField(max_length=24)
    code = models.CharField(max_length=40, blank=True, default="")
    typed = models.BooleanField(default=False)
    heard_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["session", "sequence"], name="a_scan_is_stored_once")
        ]

    def __str__(self) -> str:
        return self.raw


@pghistory.track(
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    fields=["collected_earliest", "collected_latest", "label_day", "name_checked"],
    context_field=pghistory.ContextJSONField(),
    model_name="ReturnHistory",
)
class Return(Subject):
    """A kit that came back: its dates (R2), how its label read, and where it goes next."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="returns")
    delivery = models.ForeignKey(Delivery, on_delete=models.PROTECT, related_name="returns")
    session = models.ForeignKey(IntakeSession, on_delete=models.PROTECT, null=True, related_name="returns")
    arrived_on = models.DateField(_("arrived on"))
    label_day = models.CharField(_("day as keyed"), max_length=24, blank=True, default="")
    collected_earliest = models.DateField(_("earliest possible collection day"))
    collected_latest = models.DateField(_("latest possible collection day"))
    name_checked = models.BooleanField(_("name compared"), default=False)
    remark = models.CharField(max_length=40, blank=True, default="")

    class Meta:
        indexes: ClassVar = [
            models.Index(
                fields=["state", "due_on"], condition=Q(state="set_aside"), name="return_set_aside_by_date"
            )
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kit"], condition=~Q(state="undone"), name="a_kit_returns_once"),
            models.CheckConstraint(
                condition=Q(collected_earliest__lte=F("collected_latest")), name="collection_days_in_order"
            ),
            models.CheckConstraint(
                condition=Q(collected_latest__lte=F("arrived_on")), name="collected_by_arrival"
            ),
        ]

    def __str__(self) -> str:
        return f"return of kit {self.kit_id}"


class ReturnMove(Move):
    """The ledger of returns."""

    subject = models.ForeignKey(Return, on_delete=models.PROTECT, related_name="moves", db_index=False)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["subject", "seq"], name="return_moves_in_order")
        ]

    def __str__(self) -> str:
        return f"{self.event} → {self.to_state}"
