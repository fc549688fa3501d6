"""Whether a reading stands between controls in control, and when the next controls are due; pure rules (R6)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

CLOCK_DOUBT = timedelta(minutes=15)
"""How far an analyser's clock may be off; the same doubt that the loading of readings allows."""


@dataclass(frozen=True, slots=True)
class ControlGroup:
    """Controls measured together: when, whether every level and check asked for was there, and whether all were in
    control. Only a complete group can end a bracket; one that is out breaks it, complete or not."""

    at: datetime
    complete: bool
    in_control: bool


@dataclass(frozen=True, slots=True)
class ReadWhen:
    """The earliest and the latest moment a reading can have been made."""

    earliest: datetime
    latest: datetime


class Bracket(StrEnum):
    """How a reading stands between controls."""

    IN_CONTROL = "in_control"
    NONE_BEFORE = "none_before"
    NONE_AFTER = "none_after"
    BROKEN = "broken"

    @property
    def sentence(self) -> StrOrPromise:
        """The standing in words."""
        return _WORDS[self]


_WORDS: dict[Bracket, StrOrPromise] = {
    Bracket.IN_CONTROL: _("The controls before and after this reading are in control."),
    Bracket.NONE_BEFORE: _("No complete controls stand before this reading. It is never released."),
    Bracket.NONE_AFTER: _("The controls after this reading are still to come."),
    Bracket.BROKEN: _("A control before or after this reading is out. It is held."),
}


def read_when(
    read_at: datetime, stored_at: datetime, opened: datetime, ended: datetime | None = None
) -> ReadWhen:
    """When a reading of a run can have been made.

    The analyser's clock may be off by `CLOCK_DOUBT`. A reading whose own time is missing carries the moment it was
    stored (`read_at` equals `stored_at`) and may be as old as the run. Nothing is later than the moment it was stored,
    earlier than the run's opening or, when the run has ended, later than its end.
    """
    earliest = opened if read_at == stored_at else max(opened, read_at - CLOCK_DOUBT)
    latest = min(stored_at, read_at + CLOCK_DOUBT)
    if ended is not None:
        latest = min(latest, ended)
    return ReadWhen(earliest, max(earliest, latest))


def bracket(read: ReadWhen, groups: Sequence[ControlGroup]) -> Bracket:
    """How a reading stands between the controls of its run (any order).

    Releasable only when the last complete group that is certainly before it, the first complete group later than that
    one and certainly not before the reading, and every group between those two are in control. Groups of the same
    moment count in the order given. Source: ruling R6; bracketing by controls before and after is common practice, no
    source.
    """
    ordered = sorted(groups, key=lambda group: group.at)
    before = [n for n, group in enumerate(ordered) if group.complete and group.at <= read.earliest]
    if not before:
        return Bracket.NONE_BEFORE
    first = before[-1]
    after = [n for n, group in enumerate(ordered) if n > first and group.complete and group.at >= read.latest]
    span = ordered[first : after[0] + 1] if after else ordered[first:]
    if not all(group.in_control for group in span):
        return Bracket.BROKEN
    return Bracket.IN_CONTROL if after else Bracket.NONE_AFTER


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How often controls are measured: after so many samples or so many hours, whichever comes first."""

    samples: int = 100
    hours: int = 4


@dataclass(frozen=True, slots=True)
class NextControls:
    """What is left before controls are due; both are 0 when they are overdue."""

    samples: int
    minutes: int

    @property
    def due(self) -> bool:
        """Whether nothing more is measured before controls."""
        return self.samples == 0 or self.minutes == 0


def next_controls(rhythm: Rhythm, measured: int, last_at: datetime, now: datetime) -> NextControls:
    """Samples and minutes left until the next controls, counted from the last ones."""
    left = last_at + timedelta(hours=rhythm.hours) - now
    return NextControls(
        samples=max(0, rhythm.samples - measured), minutes=max(0, int(left.total_seconds() // 60))
    )
