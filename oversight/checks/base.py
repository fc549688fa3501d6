"""What a check is, and the days every check may refer to."""

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext_lazy as _

from staff.working_days import working_days_after

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

OFFENDER_COLUMNS = ("thing", "id", "person_id", "since", "owner", "note")


class Severity(StrEnum):
    """How soon somebody must look."""

    P1 = "P1"
    P2 = "P2"
    P3 = "P3"

    @property
    def words(self) -> "StrOrPromise":
        """When to look, in words."""
        return {"P1": _("at once"), "P2": _("next morning"), "P3": _("this week")}[self.value]


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that must hold. `checked` counts what was looked at; `offenders` selects what does not hold.

    `offenders` gives the columns of OFFENDER_COLUMNS: what it is, its id, the person, the day its age counts from,
    who holds it now, and a code that `notes` turns into words. Both may name the days of `days_for`. A condition written
    `/*of person e.person_id*/` says whose rows it looks at: a comment in a full proof, a filter in one over what changed.
    """

    name: str
    severity: Severity
    title: "StrOrPromise"
    sentence: "StrOrPromise"
    who: "StrOrPromise"
    what_to_do: "StrOrPromise"
    in_words: "StrOrPromise"
    checked: str | Callable[[], str]
    offenders: str | Callable[[], str]
    notes: "Mapping[str, StrOrPromise]" = field(default_factory=dict)
    params: Mapping[str, Any] = field(default_factory=dict)

    @property
    def checked_sql(self) -> str:
        """The statement that counts what is looked at."""
        return self.checked if isinstance(self.checked, str) else self.checked()

    @property
    def can_narrow(self) -> bool:
        """Whether it can look at some people or kits only."""
        return bool(OF.search(self.offenders_sql))

    @property
    def offenders_sql(self) -> str:
        """The statement that selects what does not hold."""
        return self.offenders if isinstance(self.offenders, str) else self.offenders()


def overdue_on(today: date, working_days: int, closed: Collection[date]) -> date:
    """The latest day from which more than so many working days have passed by today.

    A day on or before it is overdue: `working_days_after` of it lies before today.
    """
    day = today
    while working_days_after(day, working_days, frozenset(closed)) >= today:
        day -= timedelta(days=1)
    return day


def days_for(today: date, closed: Collection[date]) -> dict[str, Any]:
    """The days that checks name: today, limits in working days, and limits in calendar days."""
    return {
        "today": today,
        "one_working_day": overdue_on(today, 1, closed),
        "two_working_days": overdue_on(today, 2, closed),
        "five_working_days": overdue_on(today, 5, closed),
        "seven_days": today - timedelta(days=8),
        "six_weeks": today - timedelta(days=42),
        "in_a_month": today + timedelta(days=30),
        "in_a_year": today + timedelta(days=365),
    }


OF = re.compile(r"/\*of (\w+) ([\w.]+)\*/")
"""Where a statement may be narrowed to some people or some kits."""


def narrowed(statement: str) -> str:
    """The statement over the people and kits of `%(of_person)s` and `%(of_kit)s` only; as it is where it cannot be narrowed."""
    return OF.sub(lambda found: f"AND {found[2]} IN (SELECT unnest(%(of_{found[1]})s::bigint[]))", statement)


SAMPLE_SIZE = 50
"""How many offenders a result keeps; the counts are always whole."""

FIND = """
WITH bad AS MATERIALIZED (
{offenders}
)
SELECT (SELECT count(*) FROM bad), (SELECT min(since) FROM bad),
    (SELECT coalesce(json_agg(b), '[]') FROM (SELECT * FROM bad ORDER BY since NULLS LAST, id LIMIT {limit}) b)
"""


def check_query(check: Check, *, counted: bool = False, narrow: bool = False) -> str:
    """The statement that counts what violates a check, with the oldest day and some of the offenders; or what is looked at."""
    checked, offenders = check.checked_sql, check.offenders_sql
    if narrow:
        checked, offenders = narrowed(checked), narrowed(offenders)
    return checked if counted else FIND.format(offenders=offenders.strip(), limit=SAMPLE_SIZE)
