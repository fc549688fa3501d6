"""Counts whether surveillance examinations were done when a clinician had said."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from django.db import connection

from oversight.filters import Asked
from staff import clock

AROUND_MONTHS = 3
"""Done in time: within so many months before or after the planned day. Source: common practice, no published source."""

COLUMNS = {
    "sex": "p.sex",
    "area": "coalesce(p.area_id, 0)",
    "fifth": "coalesce(p.deprivation_fifth, 0)",
    "age": "coalesce(extract(year FROM age(%(day)s::date, p.birth_date))::int / 5 * 5, -1)",
}
"""What people are told apart by as they are today; `day` is the day on which their age counts."""
PLANNED = """
SELECT {key}, date_trunc('month', due)::date, count(*) FILTER (WHERE soon), count(*) FILTER (WHERE NOT soon AND late),
       count(*) FILTER (WHERE NOT soon AND NOT late AND passed), count(*) FILTER (WHERE NOT soon AND NOT late AND NOT passed)
FROM (
    SELECT {column} AS key, n."on" AS due,
           coalesce(x.day BETWEEN n."on" - make_interval(months => %(around)s) AND n."on" + make_interval(months => %(around)s), false)
               AS soon,
           x.day IS NOT NULL AS late, n."on" + make_interval(months => %(around)s) < %(today)s::date AS passed
    FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id JOIN screening_person p ON p.id = f.person_id
    LEFT JOIN LATERAL (
        SELECT min(x.day) AS day FROM results_referral t JOIN results_examination x ON x.referral_id = t.id
        WHERE t.plan_id = n.id) x ON true
    WHERE n.step = 'surveillance' AND n."on" BETWEEN %(since)s AND %(until)s
      AND (p.deceased_on IS NULL OR p.deceased_on > n."on")
      AND NOT EXISTS (SELECT 1 FROM results_nextstep o WHERE o.referral_id = n.referral_id AND o.id > n.id){only}
) q GROUP BY 1, 2
"""


@dataclass(frozen=True, slots=True)
class OnTime:
    """Surveillance examinations planned for some days: done in time, done otherwise, overdue, and still in their time."""

    in_time: int = 0
    otherwise: int = 0
    overdue: int = 0
    waiting: int = 0

    @property
    def due(self) -> int:
        """All whose time is over or who were examined."""
        return self.in_time + self.otherwise + self.overdue


def surveillance_by(asked: Asked) -> Mapping[tuple[str, date], OnTime]:
    """Of the signed plans whose day lies in the days asked for, the last of each referral, by the cut asked for and month."""
    only = "".join(f" AND {COLUMNS[name]} = %({name})s" for name in asked.only if name in COLUMNS)
    cut = COLUMNS.get(asked.by)
    sql = PLANNED.format(
        only=only, column=f"({cut})::text" if cut else "''",
        key="key" if cut else "date_trunc('month', due)::date::text",
    )  # fmt: skip
    params = {
        **asked.params(), "since": asked.since, "until": asked.until, "today": clock.today(), "around": AROUND_MONTHS,
        "day": clock.today(),
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        return {(key, month): OnTime(*map(int, counts)) for key, month, *counts in cursor.fetchall()}


def surveillance_on_time(asked: Asked) -> OnTime:
    """The same, all together."""
    rows = list(surveillance_by(asked).values())
    return OnTime(*(sum(getattr(one, name) for one in rows) for name in OnTime.__slots__))
