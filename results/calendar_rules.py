"""How places are given on the lists of a unit: points, gaps, the reserve, and the day by which a date is confirmed; pure.

Source of the numbers: common practice, no source; the programme's own agreement with a unit decides (job 2.14: 5–8 % of
the places are kept back, a place not confirmed three days before is offered to somebody else).
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum

from staff.working_days import is_working

CONFIRM_DAYS = 3
"""So many days before the examination the person has confirmed the day, or is asked."""
PREPARATION_DAYS = 7
"""So many days ahead the letter with the preparation must leave; an earlier day is told by telephone."""
HOLD_WORKING_DAYS = 2
"""A place is held for a person up to the evening of so many working days later."""
HOLD_HOUR = 18
MOST_HOLDS = 2
"""A person may be offered so many days to choose from at once."""
RESERVE_OPENS_DAYS = 3
"""What is left of the reserve is for everybody from so many days before the list."""
NEW_DATE_DAYS = 14
"""After a cancellation by the unit the new day is sought within so many days (job 2.14)."""
FAR_MINUTES = 60
"""A way longer than this is pointed out."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What the list must be able to do for this person."""

    theatre: bool = False
    bed: bool = False
    interpreter: bool = False

    def met_by(self, other: "Needs") -> bool:
        """Whether a list that offers `other` meets these needs."""
        return (
            (not self.theatre or other.theatre)
            and (not self.bed or other.bed)
            and (not self.interpreter or other.interpreter)
        )


def points_needed(needs: Needs, *, each: int, more: int) -> int:
    """Points that an examination takes: the unit's number, and more with an interpreter or in the theatre."""
    return each + (more if needs.interpreter or needs.theatre else 0)


Points = tuple[int, int]
"""First point and the one after the last: (0, 2) are the points 0 and 1."""


def free_points(total: int, taken: Iterable[Points]) -> int:
    """How many points of a list are free."""
    return total - sum(end - start for start, end in taken)


def first_gap(total: int, taken: Iterable[Points], size: int, *, at: int | None = None) -> Points | None:
    """The first run of `size` free points of a list, or the one that begins at `at`; None when there is none."""
    if size < 1:
        raise ValueError("an examination takes at least one point")
    busy = {point for start, end in taken for point in range(start, end)}
    starts = [at] if at is not None else range(total - size + 1)
    for start in starts:
        if 0 <= start <= total - size and busy.isdisjoint(range(start, start + size)):
            return start, start + size
    return None


def reserve_of(points: int, percent: int) -> int:
    """Points of a week that are kept back, rounded up: 6 % of 60 points are 4."""
    return -(-points * percent // 100)


class NotFree(StrEnum):
    """Why a place cannot be had."""

    TAKEN = "taken"
    RESERVED = "reserved"


def reserve_allows(*, free: int, size: int, reserve: int, urgent: bool, days_ahead: int) -> bool:
    """Whether a place of this size leaves the week's reserve whole, or may use it.

    The reserve is for urgent and repeat examinations; what is left of it is for everybody from 3 days before the list.
    """
    return urgent or days_ahead <= RESERVE_OPENS_DAYS or free - size >= reserve


def time_of(starts: time, minutes: int, first_point: int) -> time:
    """The time of day of the first point of a place."""
    return (datetime.combine(date(2000, 1, 1), starts) + timedelta(minutes=minutes * first_point)).time()


def ends_the_same_day(starts: time, minutes: int, points: int) -> bool:
    """Whether a list is over before midnight."""
    begun = datetime.combine(date(2000, 1, 1), starts)
    return (begun + timedelta(minutes=minutes * points)).date() == begun.date()


def week_of(day: date) -> date:
    """The Monday of the week of a day."""
    return day - timedelta(days=day.weekday())


def confirm_by(day: date, closed: Collection[date] = frozenset()) -> date:
    """The last working day on or before three days ahead of the examination."""
    by = day - timedelta(days=CONFIRM_DAYS)
    while not is_working(by, closed):
        by -= timedelta(days=1)
    return by


@dataclass(frozen=True, slots=True)
class Waiting:
    """Somebody who needs another date, as the planner of a bulk move reads it."""

    referral_id: int
    needs: Needs
    since: date
    urgent: bool = False


def in_order_of_waiting(people: Sequence[Waiting]) -> list[Waiting]:
    """Urgent ones first, then who has waited longest."""
    return sorted(people, key=lambda one: (not one.urgent, one.since, one.referral_id))
