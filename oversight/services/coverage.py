"""Counts who there is to be reached: invitation coverage beside examination coverage, once a day."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from oversight.filters import CELL_FILTERS, Asked
from screening.months import add_months
from screening.services.rounds import policy_on
from staff import clock

SCREENED_MONTHS = 30
"""Screened lately: within so many months. Source: England's coverage measure, people screened in 30 months."""
KEPT_DAYS = 1900

COUNT = """
INSERT INTO oversight_coveragecell (day, area_id, sex, age, fifth, people, invited, screened)
SELECT %(day)s, coalesce(p.area_id, 0), p.sex, extract(year FROM age(%(day)s::date, p.birth_date))::int / 5 * 5,
    coalesce(p.deprivation_fifth, 0), count(*), count(*) FILTER (WHERE f.invited), count(*) FILTER (WHERE f.screened)
FROM screening_person p LEFT JOIN (
    SELECT person_id, bool_or(invited_on >= %(invited_since)s AND (counted OR outside)) AS invited,
           bool_or(coalesce(usable_on >= %(screened_since)s, false)) AS screened
    FROM oversight_fact WHERE invited_on <= %(day)s GROUP BY person_id
) f ON f.person_id = p.id
WHERE p.merged_into_id IS NULL AND (p.deceased_on IS NULL OR p.deceased_on > %(day)s)
  AND (p.left_area_on IS NULL OR p.left_area_on > %(day)s)
  AND p.birth_date > %(day)s::date - make_interval(years => %(oldest)s + 1)
  AND p.birth_date <= %(day)s::date - make_interval(years => %(youngest)s)
GROUP BY 1, 2, 3, 4, 5
"""


def coverage_count() -> int:
    """Count today's people of the age band; today's earlier count is replaced. Returns how many people there are."""
    today = clock.today()
    policy = policy_on(today)
    with connection.cursor() as cursor:
        cursor.execute(
            "DELETE FROM oversight_coveragecell WHERE day = %s OR day < %s - %s", [today, today, KEPT_DAYS]
        )
        cursor.execute(
            COUNT,
            {"day": today, "invited_since": add_months(today, -policy.interval_months),
             "screened_since": add_months(today, -SCREENED_MONTHS), "youngest": policy.age_from, "oldest": policy.age_to},
        )  # fmt: skip
        cursor.execute("SELECT coalesce(sum(people), 0) FROM oversight_coveragecell WHERE day = %s", [today])
        return int(cursor.fetchone()[0])


@dataclass(frozen=True, slots=True)
class Covered:
    """People on the reference day, and how many of them were invited and screened lately."""

    people: int
    invited: int
    screened: int


def coverage(asked: Asked, by: str) -> tuple[date | None, Mapping[str, Covered]]:
    """The last count up to the last day asked for, by area, sex, age or fifth; history does not apply to people."""
    column = CELL_FILTERS[by]
    known = {name: value for name, value in asked.only.items() if name in CELL_FILTERS and name != "history"}
    only = "".join(f" AND {CELL_FILTERS[name]} = %({name})s" for name in known)
    params: dict[str, Any] = {**asked.params(), "until": asked.until}
    with connection.cursor() as cursor:
        cursor.execute("SELECT max(day) FROM oversight_coveragecell WHERE day <= %(until)s", params)
        (day,) = cursor.fetchone()
        cursor.execute(
            f"SELECT {column}::text, sum(people), sum(invited), sum(screened) FROM oversight_coveragecell"
            f" WHERE day = %(day)s{only} GROUP BY 1 ORDER BY 1",
            params | {"day": day},
        )
        return day, {key: Covered(*map(int, counts)) for key, *counts in cursor.fetchall()}
