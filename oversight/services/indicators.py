"""Computes the indicators: one set-based statement each, cut by sex, five-year age, area and month at once."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db import connection
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from oversight.figures import COHORT, PERIOD, Figure, figure_of
from oversight.indicators import RESULT_DAYS
from screening.models import Sex
from staff import clock

TOTAL = "total"
NOT_COUNTED = ("excluded", "died", "moved_away", "superseded", "undeliverable")
"""Close reasons that leave a round out of the adjusted denominator, when it has no usable result."""

CUT = """
    GROUP BY GROUPING SETS ((), (f.month), (f.sex), (f.age), (f.area_name))
"""
KEYS = """
    CASE WHEN grouping(f.month) = 0 THEN 'month' WHEN grouping(f.sex) = 0 THEN 'sex'
         WHEN grouping(f.age) = 0 THEN 'age' WHEN grouping(f.area_name) = 0 THEN 'area' ELSE 'total' END,
    CASE WHEN grouping(f.month) = 0 THEN f.month::text WHEN grouping(f.sex) = 0 THEN f.sex
         WHEN grouping(f.age) = 0 THEN f.age::text WHEN grouping(f.area_name) = 0 THEN f.area_name END
"""
UPTAKE = f"""
WITH cohort AS (
    SELECT r.id, date_trunc('month', r.invited_on)::date AS month, r.sex_at_invitation AS sex,
           r.age_at_invitation / 5 * 5 AS age, a.name AS area_name, r.close_reason,
           coalesce(r.dispatched_on, r.invited_on) AS start
    FROM screening_round r LEFT JOIN screening_area a ON a.id = r.area_id
    WHERE r.invited_on BETWEEN %(since)s AND %(until)s AND r.batch_id IS NOT NULL AND r.state <> ''
      AND r.close_reason <> 'entered_in_error'
      AND NOT (r.close_reason = 'postponed' AND EXISTS (
          SELECT 1 FROM screening_round n WHERE n.person_id = r.person_id AND n.invited_on > r.invited_on))
), kits AS (
    SELECT k.round_id, min(b.arrived_on) AS arrived, bool_or(k.state = 'undelivered') AS undelivered
    FROM cohort c JOIN screening_kit k ON k.round_id = c.id
    LEFT JOIN screening_return b ON b.kit_id = k.id AND b.state NOT IN ('', 'undone')
    GROUP BY k.round_id
), usable AS (
    SELECT chain.round_id, min(chain.first_on) AS usable, bool_or(chain.high) AS high FROM (
        SELECT e.round_id, e.sample_id, min(e.authorised_on) AS first_on,
               bool_or(e.is_deciding AND e.side = 'at_or_above') AS high
        FROM cohort c JOIN results_result e ON e.round_id = c.id
        GROUP BY e.round_id, e.sample_id HAVING bool_or(e.is_current)
    ) chain GROUP BY chain.round_id
), f AS (
    SELECT c.month, c.sex, c.age, c.area_name, coalesce(u.high, false) AS high,
           coalesce(k.arrived - c.start <= 90 AND u.usable - c.start <= 90 + {RESULT_DAYS}, false) AS in_90,
           coalesce(k.arrived - c.start <= 180 AND u.usable - c.start <= 180 + {RESULT_DAYS}, false) AS in_180,
           c.close_reason = ANY(%(not_counted)s) OR coalesce(k.undelivered AND k.arrived IS NULL, false) AS lost,
           greatest(%(today)s::date - c.start, 0) AS days
    FROM cohort c LEFT JOIN kits k ON k.round_id = c.id LEFT JOIN usable u ON u.round_id = c.id
)
SELECT {KEYS}, count(*) AS invited,
    count(*) FILTER (WHERE f.in_90) AS in_90, count(*) FILTER (WHERE f.in_180) AS in_180,
    count(*) FILTER (WHERE f.lost AND NOT f.in_90) AS lost_90,
    count(*) FILTER (WHERE f.lost AND NOT f.in_180) AS lost_180,
    count(*) FILTER (WHERE f.in_90 AND f.high) AS high,
    coalesce(sum(least(f.days, 90 + {RESULT_DAYS})), 0) AS days_90,
    coalesce(sum(least(f.days, 180 + {RESULT_DAYS})), 0) AS days_180
FROM f {CUT}
"""
POSITIVITY = f"""
WITH f AS (
    SELECT date_trunc('month', e.authorised_on)::date AS month, e.sex_used AS sex, e.age_used / 5 * 5 AS age,
           a.name AS area_name, e.side = 'at_or_above' AS high,
           least(greatest(%(today)s::date - e.authorised_on, 0), 90) AS days,
           e.side = 'at_or_above' AND EXISTS (
               SELECT 1 FROM results_referralresult l JOIN results_examination x ON x.referral_id = l.referral_id
               WHERE l.result_id = e.id AND x.day BETWEEN e.authorised_on AND e.authorised_on + 90) AS examined
    FROM results_result e JOIN screening_round r ON r.id = e.round_id
    LEFT JOIN screening_area a ON a.id = r.area_id
    WHERE e.is_deciding AND e.authorised_on BETWEEN %(since)s AND %(until)s
)
SELECT {KEYS}, count(*) AS usable, count(*) FILTER (WHERE f.high) AS high,
    count(*) FILTER (WHERE f.examined) AS examined, coalesce(sum(f.days) FILTER (WHERE f.high), 0) AS high_days
FROM f {CUT}
"""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a breakdown: what it is about and its figures by indicator key."""

    key: str
    label: str
    figures: Mapping[str, Figure]


@dataclass(frozen=True, slots=True)
class Breakdown:
    """Figures of one period in total and cut in four ways, with the moment the data were cut."""

    since: date
    until: date
    cut_at: datetime
    total: Row
    rows: Mapping[str, Sequence[Row]]


@dataclass(frozen=True, slots=True)
class Period:
    """The days a question is about, and the day it is asked on."""

    since: date
    until: date
    today: date

    def passed(self, first: date, last: date) -> float:
        """The share of the days from `first` to `last` that is over today."""
        days = (last - first).days + 1
        over = (self.today - first).days
        return min(max(over / days, 0.0), 1.0) if days > 0 else 1.0


def uptake(*, since: date, until: date) -> Breakdown:
    """Uptake and positivity of the cohort invited from `since` to `until`, both days included (R13)."""
    period = Period(since, until, clock.today())
    return _breakdown(UPTAKE, period, {"not_counted": list(NOT_COUNTED)}, _uptake_figures)


def positivity(*, since: date, until: date) -> Breakdown:
    """Positivity of results released from `since` to `until`, and who at or above was examined within 90 days."""
    return _breakdown(POSITIVITY, Period(since, until, clock.today()), {}, _positivity_figures)


Counts = Mapping[str, int]
Figures = Callable[[Counts, float], Mapping[str, Figure]]


def _breakdown(sql: str, period: Period, params: Mapping[str, Any], figures: Figures) -> Breakdown:
    with connection.cursor() as cursor:
        cursor.execute(
            sql, {"since": period.since, "until": period.until, "today": period.today} | dict(params)
        )
        names = [column.name for column in cursor.description[2:]]
        found: dict[str, list[tuple[str, Counts]]] = {}
        for by, key, *counts in cursor.fetchall():
            found.setdefault(by, []).append((key or "", dict(zip(names, map(int, counts), strict=True))))
    rows = {
        by: [
            Row(key, _label(by, key), figures(counts, _passed(by, key, period)))
            for key, counts in sorted(lines, key=lambda line: _order(by, line[0]))
        ]
        for by, lines in found.items()
    }
    total = rows.pop(TOTAL)[0]
    return Breakdown(period.since, period.until, clock.now(), total, rows)


def _passed(by: str, key: str, period: Period) -> float:
    """The share of the row's own days that is over (period basis only)."""
    if by != "month":
        return period.passed(period.since, period.until)
    first = date.fromisoformat(key)
    last = (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    return period.passed(max(first, period.since), min(last, period.until))


def _uptake_figures(counts: Counts, _passed: float) -> Mapping[str, Figure]:
    invited = counts["invited"]
    figures = {}
    for days in (90, 180):
        window = invited * (days + RESULT_DAYS)
        passed = counts[f"days_{days}"] / window if window else 1.0
        back, lost = counts[f"in_{days}"], counts[f"lost_{days}"]
        figures[f"uptake_{days}"] = figure_of(back, invited, basis=COHORT, passed=passed)
        figures[f"uptake_{days}_adjusted"] = figure_of(back, invited - lost, basis=COHORT, passed=passed)
    passed = figures["uptake_90"].maturity.passed
    figures["positivity_cohort"] = figure_of(counts["high"], counts["in_90"], basis=COHORT, passed=passed)
    return figures


def _positivity_figures(counts: Counts, passed: float) -> Mapping[str, Figure]:
    window = counts["high"] * 90
    followed = counts["high_days"] / window if window else 1.0
    return {
        "positivity": figure_of(counts["high"], counts["usable"], basis=PERIOD, passed=passed),
        "examined_90": figure_of(
            counts["examined"], counts["high"], basis=COHORT, passed=min(followed, passed)
        ),
    }


def _label(by: str, key: str) -> str:
    if by == "month":
        return date_format(date.fromisoformat(key), "F Y")
    if not key:
        return _("not known")
    if by == "age":
        return f"{key}–{int(key) + 4}"
    return str(Sex(key).label) if by == "sex" else key


def _order(by: str, key: str) -> tuple[bool, int, str]:
    if by == "sex":
        return (False, Sex.values.index(key), "")
    return (not key, int(key) if by == "age" and key else 0, key)


COUNTS = """
SELECT
    (SELECT count(*) FROM screening_round WHERE invited_on BETWEEN %(since)s AND %(until)s AND batch_id IS NOT NULL
        AND state <> '' AND close_reason <> 'entered_in_error') AS invited,
    (SELECT count(*) FROM screening_round WHERE invited_on BETWEEN %(since)s AND %(until)s AND batch_id IS NULL
        AND state <> '' AND close_reason <> 'entered_in_error') AS outside_batches,
    (SELECT count(*) FROM screening_return WHERE arrived_on BETWEEN %(since)s AND %(until)s
        AND state NOT IN ('', 'undone')) AS kits_back,
    (SELECT count(*) FROM results_result WHERE is_deciding AND authorised_on BETWEEN %(since)s AND %(until)s)
        AS results,
    (SELECT count(*) FROM results_result WHERE is_deciding AND side = 'at_or_above'
        AND authorised_on BETWEEN %(since)s AND %(until)s) AS at_or_above,
    (SELECT count(DISTINCT referral_id) FROM results_examination WHERE day BETWEEN %(since)s AND %(until)s)
        AS examined,
    (SELECT count(*) FROM results_referral WHERE state = 'closed'
        AND (closed_at AT TIME ZONE %(zone)s)::date BETWEEN %(since)s AND %(until)s) AS referrals_closed,
    (SELECT count(*) FROM results_referral WHERE state NOT IN ('', 'closed')) AS referrals_open,
    (SELECT min(opened_on) FROM results_referral WHERE state NOT IN ('', 'closed')) AS oldest,
    (SELECT count(*) FROM results_referral WHERE state NOT IN ('', 'closed') AND due_on < %(today)s) AS overdue
"""


@dataclass(frozen=True, slots=True)
class ActivityCounts:
    """What happened in a period, and how many referrals are open now."""

    invited: int
    outside_batches: int
    kits_back: int
    results: int
    at_or_above: int
    examined: int
    referrals_closed: int
    referrals_open: int
    oldest_open_days: int | None
    overdue: int


def activity_counts(*, since: date, until: date) -> ActivityCounts:
    """Counts of what happened from `since` to `until`, in one statement."""
    today = clock.today()
    with connection.cursor() as cursor:
        cursor.execute(COUNTS, {"since": since, "until": until, "today": today, "zone": clock.zone().key})
        row = dict(zip((column.name for column in cursor.description), cursor.fetchone(), strict=True))
    oldest = row.pop("oldest")
    return ActivityCounts(oldest_open_days=(today - oldest).days if oldest else None, **row)
