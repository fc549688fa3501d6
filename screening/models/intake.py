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
    settled_at = models.DateTimeField(_("counted and settled at"), null=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    settled_reason = models.CharField(_("why the count differs"), max_length=200, blank=True, default="")
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        verbose_name_plural = _("deliveries")
        ordering: ClassVar = ["-arrived_at"]

    def __str__(self) -> str:
        return f"{self.label or self.site} {self.arrived_on}"


class SessionMode(models.TextChoices):
    """How a session is worked."""

    POST = "post", _("post")
    HAND_IN = "hand_in", _("handed in")
    PRACTICE = "practice", _("practice")


class IntakeSession(models.Model):
    """One desk's work through one delivery; it survives a crash and can be resumed by anybody.

    The counts are kept by the scans, in the transaction of each; `recount` in the tests proves them from the scans.
    """

    delivery = models.ForeignKey(Delivery, on_delete=models.PROTECT, null=True, related_name="sessions")
    mode = models.CharField(max_length=10, choices=SessionMode.choices, default=SessionMode.POST)
    operator = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    partner = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    started_at = models.DateTimeField()
    paused_at = models.DateTimeField(null=True)
    closed_at = models.DateTimeField(null=True)
    alarm_sequence = models.IntegerField(_("scan whose alarm waits for ACKNOWLEDGE"), null=True)
    accepted = models.IntegerField(default=0)
    set_aside = models.IntegerField(default=0)
    not_ours = models.IntegerField(default=0)
    last_sequence = models.IntegerField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(mode="practice", delivery__isnull=True)
                | (~Q(mode="practice") & Q(delivery__isnull=False)),
                name="only_practice_has_no_delivery",
            ),
            models.CheckConstraint(
                condition=Q(partner__isnull=True) | ~Q(partner=F("operator")), name="two_at_a_desk_are_two"
            ),
        ]

    def __str__(self) -> str:
        return f"session {self.pk}"


class TrayKind(models.TextChoices):
    """What a tray is for."""

    RACK = "rack", _("tray")
    ASIDE = "aside", _("set-aside rack")
    OWED = "owed", _("waiting rack")


class Tray(models.Model):
    """A tray or rack being filled in a session, place by place."""

    session = models.ForeignKey(IntakeSession, on_delete=models.PROTECT, related_name="trays")
    kind = models.CharField(max_length=8, choices=TrayKind.choices)
    label = models.CharField(_("label"), max_length=8)
    places = models.SmallIntegerField(_("places"), default=50)
    filled = models.SmallIntegerField(_("filled"), default=0)
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["session", "kind"],
                condition=Q(closed_at__isnull=True),
                name="one_open_tray_of_a_kind",
            ),
            models.CheckConstraint(
                condition=Q(filled__gte=0, filled__lte=F("places")), name="tray_is_not_overfull"
            ),
        ]

    def __str__(self) -> str:
        return self.label


class Scan(models.Model):
    """Every scan as it was heard, also the refused ones; unique by session and sequence."""

    session = models.ForeignKey(IntakeSession, on_delete=models.PROTECT, related_name="scans", db_index=False)
    sequence = models.IntegerField()
    raw = models.CharField(max_length=200)
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, null=True, related_name="scans")
    outcome = models.CharField(max_length=24)
    code = models.CharField(max_length=40, blank=True, default="")
    typed = models.BooleanField(default=False)
    window = models.CharField(_("browser window"), max_length=12, blank=True, default="", db_default="")
    offline = models.BooleanField(_("made while the network was away"), default=False, db_default=False)
    claimed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    heard_at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", db_index=False
    )

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["session", "sequence"], name="a_scan_is_stored_once")
        ]

    def __str__(self) -> str:
        return self.raw


@pghistory.track(
    pghistory.UpdateEvent(level=pgtrigger.Row),
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
    tray = models.ForeignKey(
        Tray, on_delete=models.PROTECT, null=True, related_name="returns", db_index=False
    )
    position = models.SmallIntegerField(_("place in the tray"), null=True)
    note_read_at = models.DateTimeField(_("enclosed note read at"), null=True)
    note_read_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )

    class Meta:
        indexes: ClassVar = [
            models.Index(
                fields=["arrived_on"],
                condition=Q(remark__contains="note_enclosed", note_read_at__isnull=True),
                name="return_note_unread",
            ),
            models.Index(
                fields=["state", "due_on"], condition=Q(state="set_aside"), name="return_set_aside_by_date"
            ),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kit"], condition=~Q(state="undone"), name="a_kit_returns_once"),
            models.CheckConstraint(
                condition=Q(collected_earliest__lte=F("collected_latest")), name="collection_days_in_order"
            ),
            models.CheckConstraint(
                condition=Q(collected_latest__lte=F("arrived_on")), name="collected_by_arrival"
            ),
            models.UniqueConstraint(
                fields=["tray", "position"], condition=~Q(state="undone"), name="one_kit_a_place"
            ),
            models.CheckConstraint(
                condition=Q(tray__isnull=True, position__isnull=True)
                | Q(tray__isnull=False, position__gte=1),
                name="a_place_is_in_a_tray",
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
