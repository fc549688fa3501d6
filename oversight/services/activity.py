"""Counts what happened in a period, day by day from the roll-ups, and what is open now."""

from dataclasses import dataclass
from datetime import date

from django.db import connection

from oversight.filters import Asked
from staff import clock

HAPPENED = """
SELECT clock, sum(n) FROM oversight_waitcell
WHERE clock = ANY(%(clocks)s) AND month BETWEEN date_trunc('month', %(since)s::date) AND %(until)s
  AND month + days BETWEEN %(since)s AND %(until)s{area}
GROUP BY clock
"""
OPEN = """
SELECT count(*), min(opened_on), count(*) FILTER (WHERE due_on < %(today)s)
FROM results_referral r WHERE r.state <> 'closed' AND r.state <> ''{area}
"""
CLOCKS = {
    "invited": "invited", "outside": "outside_batches", "arrived": "people_back", "usable": "results",
    "high": "at_or_above", "seen": "examined", "ended": "referrals_closed",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ActivityCounts:
    """What happened in a period, people counted once each, and how many referrals are open now."""

    invited: int = 0
    outside_batches: int = 0
    people_back: int = 0
    results: int = 0
    at_or_above: int = 0
    examined: int = 0
    referrals_closed: int = 0
    referrals_open: int = 0
    oldest_open_days: int | None = None
    overdue: int = 0


OF_AREA = " AND EXISTS (SELECT 1 FROM screening_person p WHERE p.id = r.person_id AND coalesce(p.area_id, 0) = %(area)s)"


def activity_counts(*, since: date, until: date, area: int | None = None) -> ActivityCounts:
    """Counts of what happened from `since` to `until`, both included, as last folded; of one area if one is named."""
    today = clock.today()
    with connection.cursor() as cursor:
        cursor.execute(
            HAPPENED.format(area="" if area is None else " AND area_id = %(area)s"),
            {"clocks": list(CLOCKS), "since": since, "until": until, "area": area},
        )
        happened = {CLOCKS[name]: int(n) for name, n in cursor.fetchall()}
        cursor.execute(OPEN.format(area="" if area is None else OF_AREA), {"today": today, "area": area})
        count, oldest, overdue = cursor.fetchone()
    return ActivityCounts(
        **happened,
        referrals_open=count,
        oldest_open_days=(today - oldest).days if oldest else None,
        overdue=overdue,
    )


def happened(asked: Asked) -> ActivityCounts | None:
    """What happened, of everybody or of one area; the roll-up behind it knows no other filter, so by others it is not told."""
    if set(asked.only) - {"area"}:
        return None
    area = asked.only.get("area")
    return activity_counts(since=asked.since, until=asked.until, area=None if area is None else int(area))
