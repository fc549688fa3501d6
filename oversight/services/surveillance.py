"""Counts whether surveillance examinations were done when a clinician had said."""

from dataclasses import dataclass

from django.db import connection

from oversight.filters import Asked
from staff import clock

AROUND_MONTHS = 3
"""Done in time: within so many months before or after the planned day. Source: common practice, no published source."""

PLANNED = """
SELECT count(*) FILTER (WHERE soon), count(*) FILTER (WHERE NOT soon AND late), count(*) FILTER (WHERE NOT soon AND NOT late AND passed),
       count(*) FILTER (WHERE NOT soon AND NOT late AND NOT passed)
FROM (
    SELECT coalesce(x.day BETWEEN n."on" - make_interval(months => %(around)s) AND n."on" + make_interval(months => %(around)s), false)
               AS soon,
           x.day IS NOT NULL AS late, n."on" + make_interval(months => %(around)s) < %(today)s::date AS passed
    FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id JOIN screening_person p ON p.id = f.person_id
    LEFT JOIN LATERAL (
        SELECT min(x.day) AS day FROM results_referral t JOIN results_examination x ON x.referral_id = t.id
        WHERE t.plan_id = n.id) x ON true
    WHERE n.step = 'surveillance' AND n."on" BETWEEN %(since)s AND %(until)s
      AND (p.deceased_on IS NULL OR p.deceased_on > n."on")
      AND NOT EXISTS (SELECT 1 FROM results_nextstep o WHERE o.referral_id = n.referral_id AND o.id > n.id){only}
) q
"""
ONLY = {
    "sex": "p.sex = %(sex)s",
    "area": "coalesce(p.area_id, 0) = %(area)s",
    "fifth": "coalesce(p.deprivation_fifth, 0) = %(fifth)s",
}


@dataclass(frozen=True, slots=True)
class OnTime:
    """Surveillance examinations planned for some days: done in time, done otherwise, overdue, and still in their time."""

    in_time: int
    otherwise: int
    overdue: int
    waiting: int

    @property
    def due(self) -> int:
        """All whose time is over or who were examined."""
        return self.in_time + self.otherwise + self.overdue


def surveillance_on_time(asked: Asked) -> OnTime:
    """Of the signed plans whose day lies in the days asked for, the last of each referral, by sex, area and fifth if asked."""
    only = "".join(f" AND {sql}" for name, sql in ONLY.items() if name in asked.only)
    params = {
        **asked.params(), "since": asked.since, "until": asked.until, "today": clock.today(), "around": AROUND_MONTHS,
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(PLANNED.format(only=only), params)
        return OnTime(*map(int, cursor.fetchone()))
