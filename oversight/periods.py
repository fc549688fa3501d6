"""Which days a question is about when nobody says, and which periods make no sense; pure."""

from datetime import date
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from screening.months import add_months

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

LONGEST_DAYS = 366 * 12


def default_period(today: date) -> tuple[date, date]:
    """The last twelve months with the running one: from the first of the month eleven months ago to today."""
    return add_months(today.replace(day=1), -11), today


def period_problem(since: date, until: date) -> "StrOrPromise | None":
    """What is wrong with a period, in words that say what to do; None when it can be used."""
    if until < since:
        return _("The last day lies before the first. Exchange them, or choose a later last day.")
    if (until - since).days > LONGEST_DAYS:
        return _("The period is longer than twelve years. Choose a shorter one.")
    return None
