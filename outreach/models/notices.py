"""Notices to doctors' systems: where a practice takes them, what waits, and every attempt."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from outreach.models.letters import Letter
from screening.models import Practice
from staff.roles import Pool


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="NoticeRouteHistory",
)
class NoticeRoute(models.Model):
    """How a practice's system takes notices beside the doctor's letters; a practice without one gets none."""

    class Way(models.TextChoices):
        OFF = "off", _("not at all")
        HTTP = "http", _("to an address of its system (FHIR Communication by HTTP POST)")
        FOLDER = "folder", _("as files in its folder here, to be fetched")

    practice = models.OneToOneField(Practice, on_delete=models.PROTECT, related_name="notice_route")
    way = models.CharField(_("how"), max_length=6, choices=Way.choices, default=Way.OFF)
    address = models.CharField(_("address"), max_length=300, blank=True, default="")
    since = models.DateField(_("since"))
    set_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["practice__name"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(way="http") & ~Q(address="") | Q(way__in=["off", "folder"], address=""),
                name="notice_route_has_the_address_it_needs",
            )
        ]

    def __str__(self) -> str:
        return f"{self.practice}: {self.way}"


class NoticeTodo(models.Model):
    """A doctor's letter that was handed over, for a practice that takes notices; written by the ledger's feed."""

    letter_id = models.BigIntegerField()

    def __str__(self) -> str:
        return f"letter {self.letter_id}"


class Notice(models.Model):
    """What goes to a doctor's system beside one letter: its words are fixed, it is claimed before it is given, and given
    again under the same reference until it is taken or given up.
    """

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        TAKEN = "taken", _("taken")
        GIVEN_UP = "given_up", _("given up")
        SETTLED = "settled", _("given up, settled")
        DROPPED = "dropped", _("no longer needed")

    CHANGES: ClassVar = (
        "state", "attempts", "next_at", "claimed_until", "last_error", "receipt", "ended_at", "owner", "pool", "due_on", "note",
    )  # fmt: skip
    """Everything but what it says, to whom, and under which reference: the database refuses to change those."""

    letter = models.OneToOneField(Letter, on_delete=models.PROTECT, related_name="notice")
    practice = models.ForeignKey(Practice, on_delete=models.PROTECT, related_name="notices")
    reference = models.CharField(max_length=40, unique=True)
    body = models.TextField()
    made_at = models.DateTimeField()
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING)
    attempts = models.SmallIntegerField(default=0)
    next_at = models.DateTimeField(null=True)
    claimed_until = models.DateTimeField(null=True)
    last_error = models.TextField(blank=True, default="")
    receipt = models.CharField(max_length=200, blank=True, default="")
    ended_at = models.DateTimeField(null=True)
    owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    pool = models.CharField(max_length=16, blank=True, default="", choices=Pool.choices)
    due_on = models.DateField(null=True)
    note = models.TextField(blank=True, default="")

    class Meta:
        ordering: ClassVar = ["pk"]
        indexes: ClassVar = [
            models.Index(
                fields=["next_at", "id"], condition=Q(state="waiting"), name="notice_waiting_by_time"
            ),
            models.Index(
                fields=["due_on", "id"], condition=Q(state="given_up"), name="notice_given_up_by_day"
            ),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(state="waiting", next_at__isnull=False, ended_at__isnull=True)
                | Q(state="given_up", next_at__isnull=True, ended_at__isnull=True)
                | Q(state__in=["taken", "settled", "dropped"], next_at__isnull=True, ended_at__isnull=False),
                name="notice_waits_or_has_ended",
            ),
            models.CheckConstraint(
                condition=~Q(state="given_up")
                | Q(due_on__isnull=False) & ~Q(last_error="") & (Q(owner__isnull=False) | ~Q(pool="")),
                name="notice_given_up_has_owner_day_and_reason",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["settled", "dropped"]) | ~Q(note=""),
                name="notice_ended_otherwise_says_how",
            ),
        ]

    def __str__(self) -> str:
        return self.reference


class NoticeAttempt(models.Model):
    """One attempt to give a notice and what came of it; append-only."""

    notice = models.ForeignKey(Notice, on_delete=models.PROTECT, related_name="tries")
    nth = models.SmallIntegerField()
    taken = models.BooleanField()
    words = models.TextField()
    at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["pk"]

    def __str__(self) -> str:
        return f"{self.notice} {self.nth}: {self.words}"
