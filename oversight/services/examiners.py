"""Counts colonoscopies after a result at or above by who made them, as their reports say."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db import connection

from oversight.filters import Asked
from results.findings import ADENOMAS

BY_EXAMINER = """
SELECT x.examiner, count(*), count(*) FILTER (WHERE x.complete), count(*) FILTER (WHERE x.prep_adequate),
       count(*) FILTER (WHERE coalesce(l.n, 0) > 0 OR l.n IS NULL AND x.finding IN ('advanced_adenoma', 'non_advanced')),
       coalesce(sum(l.n), 0), count(x.withdrawal_minutes) FILTER (WHERE x.complete AND x.finding = 'nothing'),
       coalesce(sum(x.withdrawal_minutes) FILTER (WHERE x.complete AND x.finding = 'nothing'), 0)
FROM results_examination x JOIN results_referral f ON f.id = x.referral_id{people}
LEFT JOIN (
    SELECT l.examination_id, count(*) FILTER (WHERE coalesce(
        (SELECT t.tissue FROM results_histology t WHERE t.lesion_id = l.id ORDER BY t.version DESC LIMIT 1) = ANY(%(adenomas)s),
        l.looks = 'adenoma')) AS n
    FROM results_lesionrow l JOIN results_examination y ON y.id = l.examination_id
    WHERE y.day BETWEEN %(since)s AND %(until)s GROUP BY 1) l ON l.examination_id = x.id
WHERE x.kind = 'colonoscopy' AND f.origin = 'result' AND x.day BETWEEN %(since)s AND %(until)s{only}
GROUP BY 1 ORDER BY 1
"""
ONLY = {
    "sex": "p.sex = %(sex)s", "area": "coalesce(p.area_id, 0) = %(area)s", "fifth": "coalesce(p.deprivation_fifth, 0) = %(fifth)s",
    "unit": "x.site_id = %(unit)s",
}  # fmt: skip
"""The filters that apply."""
PEOPLE = " JOIN screening_person p ON p.id = f.person_id"


@dataclass(frozen=True, slots=True)
class Work:
    """The colonoscopies of one examiner ("" where the report names nobody): whole numbers, and minutes of clean ones."""

    examiner: str
    scopes: int = 0
    complete: int = 0
    adequate: int = 0
    with_adenoma: int = 0
    adenomas: int = 0
    negative: int = 0
    minutes: int = 0

    def with_(self, other: "Work") -> "Work":
        """Both together, under this one's name."""
        names = ("scopes", "complete", "adequate", "with_adenoma", "adenomas", "negative", "minutes")
        return Work(self.examiner, *(getattr(self, name) + getattr(other, name) for name in names))


def work_by_examiner(asked: Asked) -> Sequence[Work]:
    """Everybody who examined in the days asked for, by name."""
    only = "".join(f" AND {sql}" for name, sql in ONLY.items() if name in asked.only)
    people = PEOPLE if " p." in only or "(p." in only else ""
    with connection.cursor() as cursor:
        cursor.execute(
            BY_EXAMINER.format(only=only, people=people),
            {**asked.params(), "since": asked.since, "until": asked.until, "adenomas": sorted(ADENOMAS)},
        )
        return [Work(str(name), *map(int, counts)) for name, *counts in cursor.fetchall()]
