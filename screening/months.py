"""Adding calendar months to a date; pure."""

import calendar
from datetime import date

IN_EVERY_MONTH = 28


def add_months(day: date, months: int) -> date:
    """The same day of the month so many months later, or the last day of a shorter month.

    >>> add_months(date(2024, 2, 29), 24)
    datetime.date(2026, 2, 28)
    """
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    if day.day <= IN_EVERY_MONTH:
        return date(year, month + 1, day.day)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))
