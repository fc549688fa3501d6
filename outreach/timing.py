"""When a letter is due and from which day it may be handed over; pure dates, no clock, no database."""

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import count

from outreach.kinds import AT_OR_ABOVE, Kind
from staff.working_days import is_working, working_days_after

SUNDAY = 6
LANDING_DAYS_AHEAD = 4
"""R11: the not-before day is at most this many calendar days ahead."""


@dataclass(frozen=True)
class PostCalendar:
    """The programme's closed days and its rules for landing; weekends are never working days."""

    closed: frozenset[date] = frozenset()
    no_landing_weekdays: frozenset[int] = frozenset()
    post_days: int = 2
    below_working_days: int = 5

    def is_working(self, day: date) -> bool:
        """Whether the office works on this day."""
        return is_working(day, self.closed)

    def working_day_before(self, day: date) -> date:
        """The last working day before this one."""
        return next(d for n in count(1) if self.is_working(d := day - timedelta(days=n)))

    def working_days_after(self, day: date, n: int) -> date:
        """The n-th working day later; 0 is the day itself or the next working one."""
        return working_days_after(day, n, self.closed)

    def lands_on(self, handed_over: date) -> date:
        """The day the post brings it: no post on Sundays and closed days."""
        day = handed_over + timedelta(days=self.post_days)
        while day.weekday() == SUNDAY or day in self.closed:
            day += timedelta(days=1)
        return day

    def lands_badly(self, day: date) -> bool:
        """Whether nobody could be rung the day after it lands: a no-landing weekday or the eve of a closed day."""
        return day.weekday() in self.no_landing_weekdays or day + timedelta(days=1) in self.closed

    def not_before(self, authorised_on: date) -> date:
        """The first day to hand over an at-or-above letter so that it lands well (R11).

        At most four calendar days ahead: when no day in that span lands well, waiting would not help, and the first
        working day is taken.
        """
        span = [authorised_on + timedelta(days=n) for n in range(LANDING_DAYS_AHEAD + 1)]
        working = [day for day in span if self.is_working(day)]
        well = (day for day in working if not self.lands_badly(self.lands_on(day)))
        return next(well, working[0] if working else span[-1])


@dataclass(frozen=True)
class Due:
    """The days of one letter."""

    due_on: date
    not_before: date | None = None


def due_for(kind: Kind, *, triggered_on: date, side: str, calendar: PostCalendar) -> Due:
    """When a letter of this kind is due after its trigger, and from when it may go."""
    if kind.timing.landing and side == AT_OR_ABOVE:
        day = calendar.not_before(triggered_on)
        return Due(day, day)
    days = calendar.below_working_days if kind.timing.by_policy else kind.timing.working_days
    return Due(calendar.working_days_after(triggered_on, days))
