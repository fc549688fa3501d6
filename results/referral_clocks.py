"""The two clocks of a referral: days since the result, which never stop, and the days without what the person chose; pure.

Source: section 3e of the job (both clocks shown) and 2.14 (a cancellation by the person: at most 28 days, shown apart).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from results.follow_up_rules import PERSON_PAUSE_DAYS


@dataclass(frozen=True, slots=True)
class Moved:
    """One move as the clocks read it."""

    on: date
    event: str
    reason: str
    to_state: str


CHOSEN = frozenset({("pause", "own_wish"), ("unbook", "cancelled_person")})
"""What begins a wait of the person's own choosing: event and reason. It lasts while the state it led to lasts."""


def person_chosen_days(moves: Iterable[Moved], *, until: date) -> int:
    """Days the person chose to wait, up to a day; `moves` in their order.

    A pause at the person's wish counts until it ends; after the person cancelled a booking, at most 28 days until the
    next one is asked for. A clinician's pause is not the person's choice.
    """
    total, since, state, limit = 0, None, "", 0
    for move in moves:
        if since is not None and move.to_state != state:
            total, since = total + _days(since, move.on, limit), None
        if since is None and (move.event, move.reason) in CHOSEN:
            since, state = move.on, move.to_state
            limit = PERSON_PAUSE_DAYS if move.event == "unbook" else 0
    return total + (_days(since, until, limit) if since is not None else 0)


def _days(since: date, until: date, limit: int) -> int:
    days = max(0, (until - since).days)
    return min(days, limit) if limit else days


@dataclass(frozen=True, slots=True)
class Clocks:
    """Both clocks on a day."""

    days: int
    chosen: int

    @property
    def service(self) -> int:
        """Days of the service's own: all but those the person chose."""
        return max(0, self.days - self.chosen)


def promised_by(opened_on: date, promise: int) -> date:
    """The day up to which the examination is promised, counted from authorisation."""
    return opened_on + timedelta(days=promise)
