"""How old the access journal is, month by month, and what went when its time was over; read from the catalogue, never by counting looks."""

from dataclasses import dataclass
from datetime import date

from django.conf import settings
from django.db import connection

from oversight.models import AgedOut, AgeingAsked
from oversight.seal.ageing_sql import JOURNAL
from oversight.services.journal_ageing import Leaving, journal_leaving
from oversight.services.journal_asked import ageing_question
from oversight.services.seal_told import seal_last, tables_of
from screening.months import add_months
from staff import clock

SHOWN = 24
MONTHS = """
SELECT CASE WHEN c.relname ~ '_[0-9]{6}$' THEN to_date(right(c.relname, 6), 'YYYYMM') END AS month,
       c.reltuples::bigint, pg_total_relation_size(c.oid)
FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = 'staff_accessentry'::regclass
ORDER BY 1 DESC NULLS LAST
"""


@dataclass(frozen=True, slots=True)
class Month:
    """One month of the journal (`first` empty: the looks of months that have no table of their own), with its size in bytes.

    `rows` is the server's own estimate, None before it ever made one; `may_go` the day from which the month is past its time.
    """

    first: date | None
    rows: int | None
    size: int
    may_go: date | None


@dataclass(frozen=True, slots=True)
class JournalAge:
    """What the page tells: the months, what would go today, whether all of that is sealed, what went before, and this month's question."""

    months: list[Month]
    years: int
    leaving: Leaving
    next_on: date | None
    sealed: bool
    aged_out: list[AgedOut]
    asked: AgeingAsked | None


def journal_age() -> JournalAge:
    """How old the journal is today. Counts only what is past its time, which is nothing in most months."""
    today, years = clock.today(), settings.JOURNAL_KEPT_YEARS
    with connection.cursor() as cursor:
        cursor.execute(MONTHS)
        rows = cursor.fetchall()
    this_month = today.replace(day=1)
    months = [
        Month(first, n if n >= 0 else None, size, add_months(first, 12 * years + 1) if first else None)
        for first, n, size in rows
        if first is None or first <= this_month
    ]
    leaving = journal_leaving(today)
    days = sorted(month.may_go for month in months if month.may_go and month.may_go > today)
    gone = list(AgedOut.objects.filter(name=JOURNAL).select_related("asked_by", "agreed_by")[:SHOWN])
    return JournalAge(
        months, years, leaving, next(iter(days), None), _sealed(leaving), gone, ageing_question()
    )


def _sealed(leaving: Leaving) -> bool:
    """Whether every entry that would go is sealed; what is not sealed yet cannot go."""
    last = seal_last()
    found = next((told for table, told in tables_of(last) if table.name == JOURNAL), None) if last else None
    return found is not None and leaving.highest <= found.upto
