"""What every ledger and every thing with a state have in common, and the machines' rows in the database."""

from datetime import date
from typing import Any, ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Func

from staff.roles import Pool


class TransactionActor(Func):
    """SQL: the user acting in this transaction."""

    function = "roundbook_actor"
    output_field = models.BigIntegerField()
    arity = 0


class TransactionTime(Func):
    """SQL: the moment of this transaction, as told by the clock module."""

    function = "roundbook_now"
    output_field = models.DateTimeField()
    arity = 0


class Subject(models.Model):
    """A thing with a state. State, date and owner are projected by the database from its ledger.

    The application role may not update these columns, and inserts a subject unborn (state empty) or, to write it once
    only, standing where its first moves take it that are made in the same statement. A move changes several of them, so
    every index on a thing is paid for at every move: partial ones by state, none by owner alone.
    """

    state = models.CharField(max_length=24, default="", db_default="", editable=False)
    last_seq = models.SmallIntegerField(default=0, db_default=0, editable=False)
    due_on = models.DateField(null=True, editable=False)
    due_time = models.TimeField(null=True, editable=False)
    owner = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        editable=False,
        on_delete=models.PROTECT,
        related_name="+",
        db_index=False,
    )
    pool = models.CharField(max_length=16, default="", db_default="", editable=False)
    state_since = models.DateTimeField(null=True, editable=False)
    closed_at = models.DateTimeField(null=True, editable=False)
    close_reason = models.CharField(max_length=40, default="", db_default="", editable=False)

    class Meta:
        abstract = True

    PROJECTED: ClassVar[tuple[str, ...]] = (
        "state", "last_seq", "due_on", "due_time", "owner_id", "pool", "state_since", "closed_at", "close_reason",
    )  # fmt: skip
    CARRIED: ClassVar[tuple[str, ...]] = ()
    """More columns, of this thing and of its ledger's rows alike, that a move sets where it names them."""

    def days_in_state(self, today: date) -> int:
        """Calendar days since the last change of state."""
        return (today - self.state_since.date()).days if self.state_since else 0


class Move(models.Model):
    """One dated entry of a ledger: appended, never changed; the row is at once history, worklist and event."""

    seq = models.SmallIntegerField()
    event = models.CharField(max_length=24)
    from_state = models.CharField(max_length=24, blank=True)
    to_state = models.CharField(max_length=24)
    due_on = models.DateField(null=True)
    due_time = models.TimeField(null=True)
    owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+", db_index=False
    )
    pool = models.CharField(max_length=16, default="", db_default="", choices=Pool.choices, blank=True)
    reason = models.CharField(max_length=40, default="", db_default="", blank=True)
    note = models.TextField(default="", db_default="", blank=True)
    rule = models.CharField(max_length=60, default="", db_default="", blank=True)
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        related_name="+",
        db_default=TransactionActor(),
        db_index=False,
    )
    occurred_at = models.DateTimeField(db_default=TransactionTime())
    recorded_at = models.DateTimeField(db_default=TransactionTime())

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Only inserts: a ledger row is never changed."""
        kwargs["force_insert"] = True
        super().save(*args, **kwargs)


class LedgerTransition(models.Model):
    """A machine's table as the triggers read it; written from the code after each migration."""

    machine = models.CharField(max_length=24)
    event = models.CharField(max_length=24)
    from_state = models.CharField(max_length=24, blank=True)
    to_state = models.CharField(max_length=24)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["machine", "event", "from_state"], name="an_event_leads_to_one_state"
            )
        ]

    def __str__(self) -> str:
        return f"{self.machine}: {self.from_state} –{self.event}→ {self.to_state}"


class LedgerState(models.Model):
    """A state of a machine as the triggers read it: open ones need a date and an owner, closed ones a reason."""

    machine = models.CharField(max_length=24)
    state = models.CharField(max_length=24)
    is_open = models.BooleanField()
    is_closed = models.BooleanField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["machine", "state"], name="one_row_per_state")
        ]

    def __str__(self) -> str:
        return f"{self.machine}: {self.state}"
