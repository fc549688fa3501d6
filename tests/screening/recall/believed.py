"""What one person's passage should look like, kept in memory beside the registry: a few facts and one small rule.

Written from the job description (2.2, 2.5, 2.11, 2.19; rulings R1, R7, R9), not from the registry's own rule.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta

FORGOTTEN = {"postponed", "excluded", "result_withdrawn", "superseded", "entered_in_error"}
"""Rounds closed for these reasons never happened, as far as the interval is concerned."""
REOPENED = {"not_returned", "declined", "no_usable_sample", "postponed", "moved_away"}


@dataclass
class Band:
    """The protocol in force."""

    youngest: int = 50
    oldest: int = 74
    months: int = 24
    grace: int = 90


@dataclass
class Passage:
    """One round: when it began, how it ended, and what its end said about the next date."""

    invited: date
    ended: date | None = None
    reason: str = ""
    signed: date | None = None


@dataclass
class Believed:
    """One person."""

    number: str
    birth: date
    died: bool = False
    left: date | None = None
    out: bool = False
    came_back: list[date] = field(default_factory=list)
    waits: date | None = None
    place: str = "free"
    rounds: list[Passage] = field(default_factory=list)

    def ends(self, reason: str, today: date, signed: date | None = None) -> None:
        """The open round closes."""
        last = self.rounds[-1]
        last.ended, last.reason, last.signed, self.place = today, reason, signed, "free"

    def stopped_by(self, today: date) -> set[str]:
        """The reasons for which this person may be sent no other kit."""
        facts = {
            "declined": self.out,
            "moved_away": self.left is not None and self.left <= today,
            "postponed": self.waits is not None and self.waits > today,
        }
        return {reason for reason, holds in facts.items() if holds}

    def may_be_invited(self, today: date) -> bool:
        """Whether an invitation today would be no mistake, whatever else is due."""
        return not (self.died or self.out or (self.left and self.left <= today)) and self.place == "free"

    def due_on(self, today: date, band: Band) -> date | None:
        """The day of the next invitation, or None while there is none."""
        if self.died or self.out or self.place != "free":
            return None
        last = max(
            (r for r in self.rounds if r.reason in {"below", "follow_up_concluded"}), key=_end, default=None
        )
        if last is not None and last.reason == "follow_up_concluded" and last.signed is None:
            return None
        day = max(_birthday(self.birth, band.youngest), self._interval_over(last, band))
        if self.waits is not None and day < self.waits:
            day = self.waits
        if self.left is not None and max(day, today) >= self.left:
            return None
        too_old = _birthday(self.birth, band.oldest + 1)
        if day >= too_old or today >= too_old + timedelta(days=band.grace):
            return None
        return day

    def _interval_over(self, last: Passage | None, band: Band) -> date:
        counted = [r.invited for r in self.rounds if r.reason not in FORGOTTEN and not self._taken_back(r)]
        counted += [r.ended for r in self.rounds if r.reason == "below" and r.ended]
        latest = max(counted, default=None)
        if last is not None and last.signed is not None and (latest is None or latest < last.signed):
            return last.signed
        return date.min if latest is None else _months_on(latest, band.months)

    def _taken_back(self, one: Passage) -> bool:
        return one.reason == "declined" and any(one.ended and day >= one.ended for day in self.came_back)


def _end(one: Passage) -> date:
    return one.ended or date.min


def _birthday(birth: date, age: int) -> date:
    try:
        return birth.replace(year=birth.year + age)
    except ValueError:  # born on 29 February, a common year: on 1 March
        return date(birth.year + age, 3, 1)


def _months_on(day: date, months: int) -> date:
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    for last in (day.day, 30, 29, 28):
        try:
            return date(year, month + 1, min(day.day, last))
        except ValueError:
            continue
    raise AssertionError(day)
