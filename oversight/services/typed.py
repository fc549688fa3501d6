"""Counts kits whose serial was typed at intake instead of scanned, by month, over the newest scans of some days."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db import connection

from oversight.filters import Asked
from staff import clock

NEWEST = 50_000
"""So many scans are looked at, newest sessions first, so that the page stays quick over years: three weeks of a region with 1,500 kits a day."""
SERIAL_DIGITS = 9
"""A serial has so many digits, a day or a command card fewer: this tells the scan of a kit from what was keyed about it."""
TYPED = """
SELECT date_trunc('month', day)::date, count(DISTINCT kit_id), count(DISTINCT kit_id) FILTER (WHERE typed), sum(seen), min(day)
FROM (
    SELECT (s.heard_at AT TIME ZONE %(zone)s)::date AS day, s.typed, 1 AS seen,
           CASE WHEN length(s.raw) - length(translate(s.raw, '0123456789', '')) >= %(digits)s THEN s.kit_id END AS kit_id
    FROM (SELECT t.id FROM screening_intakesession t WHERE t.mode <> 'practice' AND t.started_at < %(after)s
          AND (t.closed_at IS NULL OR t.closed_at >= %(start)s) ORDER BY t.id DESC) t
    CROSS JOIN LATERAL (
        SELECT * FROM screening_scan s WHERE s.session_id = t.id ORDER BY s.sequence DESC LIMIT %(newest)s) s
    LIMIT %(newest)s
) q WHERE day BETWEEN %(since)s AND %(until)s GROUP BY 1 ORDER BY 1
"""


@dataclass(frozen=True, slots=True)
class TypedMonth:
    """Kits of ours heard at intake in one month, and how many of them by a serial that was typed."""

    month: date
    logged: int
    typed: int


@dataclass(frozen=True, slots=True)
class Typed:
    """Month by month, and the first day looked at when there were more scans than are looked at; else None."""

    months: Sequence[TypedMonth]
    cut_off_on: date | None

    @property
    def logged(self) -> int:
        """Kits heard in all."""
        return sum(one.logged for one in self.months)

    @property
    def typed(self) -> int:
        """Of them, those whose serial was typed."""
        return sum(one.typed for one in self.months)


def typed_serials(asked: Asked, *, newest: int = NEWEST) -> Typed:
    """The days asked for, whatever is filtered: the caller refuses filters. Sessions for practice are left out."""
    params: dict[str, Any] = {
        "zone": str(clock.zone()), "digits": SERIAL_DIGITS, "since": asked.since, "until": asked.until,
        "start": clock.moment(asked.since), "after": clock.moment(asked.until + timedelta(days=1)), "newest": newest,
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(TYPED, params)
        rows = cursor.fetchall()
    seen = sum(row[3] for row in rows)
    return Typed(
        [
            TypedMonth(month, int(logged), int(typed))
            for month, logged, typed, _seen, _first in rows
            if logged
        ],
        min(row[4] for row in rows) if seen >= newest else None,
    )
