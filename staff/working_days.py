"""Working days: Monday to Friday without the closed days of a site; pure rules."""

from collections.abc import Collection
from datetime import date, timedelta

WEEKEND = frozenset({5, 6})


def is_working(day: date, closed: Collection[date] = frozenset()) -> bool:
    """Whether a day is worked: not a Saturday or Sunday and not among the closed days."""
    return day.weekday() not in WEEKEND and day not in closed


def working_days_after(day: date, n: int, closed: Collection[date] = frozenset()) -> date:
    """The n-th working day after `day`; with n = 0 the day itself or, if it is not worked, the next one that is.

    `closed` holds holidays and closed days; weekends never count. ValueError for a negative n or a calendar without
    a working day in a year. Source: common practice, no source.
    """
    if n < 0:
        raise ValueError("working days are counted forwards")
    current, left = day, n
    while left or not is_working(current, closed):
        if (current - day).days > 366 + 7 * n:
            raise ValueError("the calendar has no working days")
        current += timedelta(days=1)
        left -= bool(left) and is_working(current, closed)
    return current


def working_days_left(today: date, until: date, closed: Collection[date] = frozenset()) -> int:
    """The working days after `today` up to and with `until`; below 0 so many have passed since, 0 on the last day itself."""
    first, last = min(today, until), max(today, until)
    span = (first + timedelta(days=n) for n in range(1, (last - first).days + 1))
    worked = sum(is_working(day, closed) for day in span)
    return worked if until >= today else -worked


def long_break_ahead(
    day: date, closed: Collection[date] = frozenset(), *, within: int = 5, length: int = 4
) -> date | None:
    """The first day of a break of at least `length` days on end that begins within the next `within` working days.

    The break may have begun already. A usual weekend is two days, so it takes holidays beside it to make one. Source: the
    programme's job description 2.3 (no dispatch in the five working days before a holiday of four days or more).
    """
    current, worked = day, 0
    while worked <= within:
        if is_working(current, closed):
            worked += 1
            current += timedelta(days=1)
            continue
        first = current
        while not is_working(current, closed) and (current - first).days < 366:
            current += timedelta(days=1)
        if (current - first).days >= length:
            return first
    return None
