"""The same questions asked of the ledger's tables at once: the bare limit of the roll-ups, and their oracle in tests."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.db import connection

from oversight.rollup.measures import RESULT_DAYS
from staff import clock

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


Cells = Mapping[tuple[str, str], Mapping[str, int]]


def uptake(*, since: date, until: date) -> Cells:
    """Counts of uptake by what they are cut by and its key, straight from rounds, kits, returns and results."""
    return _cells(UPTAKE, since, until, {"not_counted": list(NOT_COUNTED)})


def positivity(*, since: date, until: date) -> Cells:
    """Counts of positivity and of who was examined within 90 days, straight from results and examinations."""
    return _cells(POSITIVITY, since, until, {})


def _cells(sql: str, since: date, until: date, more: Mapping[str, Any]) -> Cells:
    with connection.cursor() as cursor:
        cursor.execute(sql, {"since": since, "until": until, "today": clock.today()} | dict(more))
        names = [column.name for column in cursor.description[2:]]
        return {
            (by, key or ""): dict(zip(names, map(int, counts), strict=True))
            for by, key, *counts in cursor.fetchall()
        }
