"""Counts the cancers diagnosed in some days: how each was found, its stage, what the test missed, how soon treatment began."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from django.db import connection

from oversight.filters import CELL_FILTERS, Asked
from oversight.rollup.measures import ANCHORS
from oversight.services.sums import sums
from results.cancers import CancerClass
from results.services.cancers import Diagnosed, cancers_diagnosed
from screening.models import Sex
from screening.months import add_months
from screening.services.policies import policy_on
from staff import clock

YEAR = 365.25
TREATED_WITHIN = 31
"""Days from diagnosis to treatment. Source: European guidelines 2010, parameter 9 (from memory)."""

FOUND = """
SELECT f.person_id, f.exam_on, f.sex, f.area_id, f.age, f.fifth FROM oversight_fact f
WHERE f.high AND f.finding = 'cancer' AND f.exam_on BETWEEN %(since)s AND %(until)s
  AND f.released_on BETWEEN %(since)s::date - 730 AND %(until)s{only}
"""
"""Cancers found at an examination after a result at or above, by the day of the first examination."""


@dataclass(frozen=True, slots=True)
class Missed:
    """Interval cancers of one sex in one year after a result below the cutoff, and the person-years they arose in."""

    sex: str
    year: int
    cancers: int
    person_years: float


@dataclass(frozen=True, slots=True)
class CancerCounts:
    """The cancers of some days; `found` counts people in whom the programme's own examination found one."""

    by_class: Mapping[CancerClass, Mapping[str, int]]
    found: int
    missed: Sequence[Missed]
    waits: Sequence[int]
    untreated: int

    @property
    def interval(self) -> int:
        """Interval cancers."""
        return sum(one.cancers for one in self.missed)


def cancer_counts(asked: Asked) -> CancerCounts:
    """The cancers diagnosed in the days asked for, by area, sex, age and fifth where one is asked for."""
    reported = [one for one in cancers_diagnosed(asked.since, asked.until) if belongs(one, asked)]
    by_class: dict[CancerClass, Counter[str]] = {}
    for one in reported:
        by_class.setdefault(one.kind, Counter())[one.report.stage] += 1
    found = set(found_at_examinations(asked)) | {
        one.report.person_id for one in reported if one.kind is CancerClass.SCREEN_DETECTED
    }
    counted = [
        one.report for one in reported if one.kind in (CancerClass.SCREEN_DETECTED, CancerClass.AFTER_BELOW)
    ]
    waits = sorted((one.treatment_on - one.diagnosed_on).days for one in counted if one.treatment_on)
    return CancerCounts(by_class, len(found), _missed(reported, asked), waits, len(counted) - len(waits))


def keys_of(one: Diagnosed) -> Mapping[str, str]:
    """What a reported cancer is told apart by: the person as they are known, the age at the diagnosis."""
    person, day = one.report.person, one.report.diagnosed_on
    age = -1
    if person.birth_date:
        born = person.birth_date
        age = (day.year - born.year - ((day.month, day.day) < (born.month, born.day))) // 5 * 5
    return {
        "sex": person.sex, "area": str(person.area_id or 0), "age": str(age), "fifth": str(person.deprivation_fifth or 0),
    }  # fmt: skip


def belongs(one: Diagnosed, asked: Asked) -> bool:
    """Whether a reported cancer is one of those asked for."""
    known = keys_of(one)
    return all(known.get(name, value) == value for name, value in asked.only.items())


@dataclass(frozen=True, slots=True)
class Found:
    """A cancer found at an examination after a result at or above, by the day of the first examination."""

    on: date
    keys: Mapping[str, str]


def found_at_examinations(asked: Asked) -> Mapping[int, Found]:
    """Those found in the days asked for, by person."""
    names = [name for name in CELL_FILTERS if name in asked.only and name != "history"]
    only = "".join(f" AND f.{CELL_FILTERS[name]} = %({name})s" for name in names)
    with connection.cursor() as cursor:
        cursor.execute(
            FOUND.format(only=only), {**asked.params(), "since": asked.since, "until": asked.until}
        )
        return {
            pk: Found(on, dict(zip(("sex", "area", "age", "fifth"), map(str, keys), strict=True)))
            for pk, on, *keys in cursor.fetchall()
        }


def _missed(reported: Sequence[Diagnosed], asked: Asked) -> list[Missed]:
    """By sex and year after the last result; a month's results are followed from its middle until the next test is due."""
    cancers = Counter(
        (one.report.person.sex, 1 if (one.report.diagnosed_on - one.tested_on).days < YEAR else 2)
        for one in reported
        if one.kind is CancerClass.AFTER_BELOW and one.tested_on
    )
    years: defaultdict[tuple[str, int], float] = defaultdict(float)
    for (sex, _month, year), time in person_years(replace(asked, by="sex")).items():
        years[sex, year] += time
    return [
        Missed(sex, year, cancers[sex, year], years[sex, year])
        for sex in Sex.values
        for year in (1, 2)
        if years[sex, year] or cancers[sex, year]
    ]


def person_years(asked: Asked) -> Mapping[tuple[str, date, int], float]:
    """Person-years after a result below the cutoff by the cut asked for, month of the results, and year after them (1, 2).

    Only what lies in the days asked for and in the past counts.
    """
    interval, found = policy_on(clock.today()).interval_months, {}
    for key, month, n in below_by_month(asked):
        for year, days in enumerate(years_after(month, interval, asked.since, asked.until), start=1):
            found[key, month, year] = n * days / YEAR
    return found


def below_by_month(asked: Asked) -> Sequence[tuple[str, date, int]]:
    """Results below the cutoff by the cut asked for and month, of every month whose next test falls due in the days asked for."""
    interval = policy_on(clock.today()).interval_months
    earlier = replace(
        asked, since=add_months(asked.since, -interval).replace(day=1),
        only={name: value for name, value in asked.only.items() if name in CELL_FILTERS and name != "history"},
    )  # fmt: skip
    found = sums(ANCHORS["released"], earlier, ["n", "high"])
    return [(key, month, counts["n"] - counts["high"]) for (key, month), counts in found.items()]


def years_after(month: date, interval: int, since: date, until: date) -> tuple[int, int]:
    """Days of the first year after results of a month, and of the time until the next test is due, in the days asked for.

    A month's results are followed from its middle; nothing that is still to come counts.
    """
    middle, last = month + timedelta(days=14), min(until, clock.today())
    first_year = min(add_months(middle, 12), add_months(middle, interval))
    return (
        _overlap(middle, first_year, since, last),
        _overlap(first_year, add_months(middle, interval), since, last),
    )


def _overlap(start: date, end: date, since: date, until: date) -> int:
    return max((min(end, until + timedelta(days=1)) - max(start, since)).days, 0)
