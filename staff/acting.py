"""Who acts, when and why: set once a transaction, read by every default and trigger."""

import json
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, TypeVar, cast

from django.db import connection, transaction

from staff import clock

if TYPE_CHECKING:
    from staff.models import User


@dataclass(frozen=True)
class Acting:
    """The frame of one transaction: the actor, the moment and the reason."""

    by: "User"
    now: datetime
    reason: str
    memo: dict[Hashable, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def today(self) -> date:
        """The programme's local date of this transaction."""
        return clock.local_day(self.now)


_frame: ContextVar[Acting | None] = ContextVar("roundbook_acting", default=None)
_kept: ContextVar[dict[Hashable, Any] | None] = ContextVar("roundbook_kept", default=None)


ANNOUNCE = (
    "set_config('roundbook.actor', %(frame_actor)s, true), set_config('roundbook.now', %(frame_now)s, true),"
    " set_config('roundbook.reason', %(frame_reason)s, true),"
    " set_config('pghistory.context_metadata', %(frame_context)s, true)"
)
"""The columns that tell the database who acts and when, for a statement that begins a transaction by itself."""


def announcement(frame: Acting) -> dict[str, str]:
    """The parameters of `ANNOUNCE`."""
    return {
        "frame_actor": str(frame.by.pk), "frame_now": frame.now.isoformat(), "frame_reason": frame.reason,
        "frame_context": json.dumps({"actor": frame.by.pk, "reason": frame.reason}),
    }  # fmt: skip


def _announce(frame: Acting) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {ANNOUNCE}", announcement(frame))


@contextmanager
def acting(by: "User", *, reason: str = "", announces: bool = True) -> Iterator[Acting]:
    """Open a transaction in which `by` acts; a nested frame shares the outer moment.

    `announces=False` leaves it to the first statement inside to carry `ANNOUNCE`, which saves a round trip.
    Every write of a ledger, a result or a tracked row needs this frame: the database takes actor and time from it
    and refuses a ledger row without one.
    """
    outer = _frame.get() if connection.in_atomic_block else None
    if outer is None:
        kept = _kept.get()
        frame = Acting(by=by, now=clock.now(), reason=reason, memo={} if kept is None else kept)
    else:
        frame = Acting(by=by, now=outer.now, reason=reason or outer.reason, memo=outer.memo)
    # A nested frame needs no savepoint: when it fails, the outer transaction may only be rolled back.
    with transaction.atomic(savepoint=outer is None):
        if frame != outer and (announces or outer is not None):
            _announce(frame)
        token = _frame.set(frame)
        try:
            yield frame
        finally:
            _frame.reset(token)
        if outer is not None and frame != outer:
            _announce(outer)


@contextmanager
def remembering() -> Iterator[None]:
    """Keep what is remembered from one transaction to the next: a batch job of many transactions works by one policy."""
    token = _kept.set({})
    try:
        yield
    finally:
        _kept.reset(token)


T = TypeVar("T")


def remembered(key: Hashable, make: Callable[[], T]) -> T:
    """What `make` gives, made once in a transaction (or once inside `remembering`); for policy rows and calendars that many steps of it read."""
    frame = _frame.get() if connection.in_atomic_block else None
    if frame is None:
        return make()
    if key not in frame.memo:
        frame.memo[key] = make()
    return cast(T, frame.memo[key])
