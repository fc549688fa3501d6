"""Reads what clocks say: quantiles of waits from the roll-ups, curves of those at or above from their facts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from oversight.filters import Asked
from oversight.rollup.measures import CLOCKS, STARTS
from oversight.services.people_asked import person_conditions, person_params
from oversight.survival import Step, Waits, curve
from staff import clock

Spread = Sequence[tuple[int, int]]


def spreads(asked: Asked, clocks: Sequence[str]) -> Mapping[str, Spread]:
    """Days and how many, for each clock, of waits that began in the months asked for.

    The roll-up knows areas; by any other filter the facts of the days asked for are counted.
    """
    if set(asked.only) - {"area"}:
        return _spreads_of_facts(asked, clocks)
    only = " AND area_id = %(area)s" if "area" in asked.only else ""
    found: dict[str, list[tuple[int, int]]] = {name: [] for name in clocks}
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT clock, days, sum(n) FROM oversight_waitcell WHERE clock = ANY(%(clocks)s)"
            f" AND month BETWEEN date_trunc('month', %(since)s::date) AND %(until)s{only}"
            " GROUP BY 1, 2 HAVING sum(n) > 0 ORDER BY 1, 2",
            {**asked.params(), "clocks": list(clocks), "since": asked.since, "until": asked.until},
        )
        for name, days, n in cursor.fetchall():
            found[name].append((days, int(n)))
    return found


def _spreads_of_facts(asked: Asked, clocks: Sequence[str]) -> Mapping[str, Spread]:
    """Each clock's days from the facts, read once for all; a start (`STARTS`) gives all who were followed, at day 0."""
    told = [_clock_of_fact(name) for name in clocks]
    rows = ", ".join(f"({n}, f.{day}, {days}, {where})" for n, (day, days, where) in enumerate(told))
    between = "BETWEEN %(since)s AND %(until)s"
    days_asked = " OR ".join(
        f"f.{day} {between}" for day in dict.fromkeys(day for day, _days, _where in told)
    )
    found: dict[str, list[tuple[int, int]]] = {name: [] for name in clocks}
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT v.clock, v.days, count(*) FROM oversight_fact f"
            f" CROSS JOIN LATERAL (VALUES {rows}) v(clock, day, days, counts)"
            f" WHERE ({days_asked}) AND v.day {between} AND v.counts{asked.conditions(cells=False)}"
            " GROUP BY 1, 2 ORDER BY 1, 2",
            {**asked.params(), "since": asked.since, "until": asked.until},
        )
        for n, days, count in cursor.fetchall():
            found[clocks[n]].append((days, count))
    return found


def _clock_of_fact(name: str) -> tuple[str, str, str]:
    """The day of a fact that decides whether a clock counts it, SQL of its days, and of whom it counts."""
    if name in STARTS:
        day, _first, whom = STARTS[name]
        return day, "0", whom
    return CLOCKS[name].since, CLOCKS[name].days, CLOCKS[name].where


def quantile(spread: Spread, share: float) -> int | None:
    """The smallest number of days within which that share of the waits ended; None of nothing."""
    whole, run = sum(n for _days, n in spread), 0
    for days, n in spread:
        run += n
        if run >= share * whole:
            return days
    return None


def within(spread: Spread, days: int) -> int:
    """How many waits took at most so many days."""
    return sum(n for took, n in spread if took <= days)


ENDS = """
SELECT least(greatest(coalesce(f.{until}, f.ended_on, %(today)s) - f.released_on, 0), 400) AS days,
       CASE WHEN f.{until} IS NOT NULL THEN 'event' WHEN f.ended_on IS NOT NULL THEN 'other' ELSE 'censored' END, count(*)
FROM oversight_fact f
WHERE f.high AND f.released_on BETWEEN %(since)s AND %(until)s{only} GROUP BY 1, 2
"""


def follow_up_curves(asked: Asked, clocks: Sequence[str]) -> Mapping[str, Sequence[Step]]:
    """The cumulative incidence of each clock's end among those at or above; a referral closed before it competes."""
    found = {}
    for name in clocks:
        sql = ENDS.format(until=CLOCKS[name].until, only=asked.conditions(cells=False))
        params: dict[str, Any] = {
            **asked.params(), "today": clock.today(), "since": asked.since, "until": asked.until,
        }  # fmt: skip
        with connection.cursor() as cursor:
            cursor.execute(sql, params)
            found[name] = curve(Waits(days, end, n) for days, end, n in cursor.fetchall())
    return found


@dataclass(frozen=True, slots=True)
class OpenNow:
    """Referrals open now in one area, by how long ago the result was released."""

    area: str
    total: int
    over_31: int
    over_90: int
    over_180: int
    unexamined: int


OPEN = """
SELECT coalesce(a.name, ''), count(*), count(*) FILTER (WHERE %(today)s - r.opened_on > 31),
       count(*) FILTER (WHERE %(today)s - r.opened_on > 90), count(*) FILTER (WHERE %(today)s - r.opened_on > 180),
       count(*) FILTER (WHERE NOT EXISTS (SELECT 1 FROM results_examination x WHERE x.referral_id = r.id))
FROM results_referral r JOIN screening_person p ON p.id = r.person_id LEFT JOIN screening_area a ON a.id = p.area_id
WHERE r.state <> 'closed' AND r.state <> ''{only} GROUP BY 1 ORDER BY 1
"""


def open_now(asked: Asked) -> list[OpenNow]:
    """People whose referral is open, by area, of those the filters on people name."""
    with connection.cursor() as cursor:
        cursor.execute(
            OPEN.format(only=person_conditions(asked)), {**person_params(asked), "today": clock.today()}
        )
        return [OpenNow(*row) for row in cursor.fetchall()]


SLOTS = """
SELECT (date_trunc('week', b.day))::date AS week, count(*) FROM results_booking b{people}
WHERE b.status = 'booked' AND b.day >= %(today)s{only} GROUP BY 1 ORDER BY 1
"""
WHOSE = " JOIN results_referral r ON r.id = b.referral_id JOIN screening_person p ON p.id = r.person_id"


def bookings_ahead(asked: Asked) -> list[tuple[date, int]]:
    """Bookings from today on, by week, of those the filters on people name."""
    only = person_conditions(asked)
    with connection.cursor() as cursor:
        cursor.execute(
            SLOTS.format(people=WHOSE if only else "", only=only),
            {**person_params(asked), "today": clock.today()},
        )
        return list(cursor.fetchall())


def examined_lately(asked: Asked, weeks: int = 8) -> int:
    """People first examined in the last so many weeks, as last folded, of those the filters on people name."""
    with connection.cursor() as cursor:
        if asked.only:
            cursor.execute(
                "SELECT count(*) FROM oversight_fact f WHERE f.high AND f.exam_on > %(today)s - %(days)s"
                f" AND f.exam_on <= %(today)s{asked.conditions(cells=False)}",
                {**asked.params(), "today": clock.today(), "days": 7 * weeks},
            )
            return int(cursor.fetchone()[0])
        cursor.execute(
            "SELECT coalesce(sum(n), 0) FROM oversight_waitcell WHERE clock = 'seen' AND month + days >"
            " %(today)s - %(days)s AND month + days <= %(today)s"
            " AND month >= date_trunc('month', %(today)s - %(days)s)::date",
            {"today": clock.today(), "days": 7 * weeks},
        )
        return int(cursor.fetchone()[0])
