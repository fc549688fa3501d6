"""Draws the invented people of the region: who they are, where they live, and what will come of their kits. Pure."""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from oversight.rehearsal.setting import AREAS

Numbers = NDArray[np.float64]
Whole = NDArray[np.int64]

SHARE_F = (11.2, 11.0, 10.4, 9.6, 8.6)
SHARE_M = (11.0, 10.6, 10.0, 9.2, 8.4)
BASE_F = (0.565, 0.605, 0.655, 0.690, 0.675)
BASE_M = (0.490, 0.535, 0.590, 0.640, 0.640)
BY_FIFTH = (0.07, 0.035, 0.0, -0.045, -0.095)
FIRST_TIME_SHARE = 0.35
UNDELIVERED = 0.012
DETECTABLE_F = (0.34, 0.36, 0.38, 0.40, 0.43)
DETECTABLE_M = (0.40, 0.42, 0.44, 0.47, 0.50)
MU_F = (0.05, 0.12, 0.20, 0.30, 0.42)
MU_M = (0.25, 0.34, 0.44, 0.55, 0.68)
MU_FIFTH = (-0.16, -0.08, 0.0, 0.09, 0.20)
PROBLEMS = {
    "no_date": 0.030, "no_name": 0.006, "other_name": 0.0015, "future_date": 0.004, "leaking": 0.002,
    "over_full": 0.003, "empty": 0.001, "note": 0.010,
}  # fmt: skip
"""Reception problems per kit returned (job 12.4); the rest are clean."""


@dataclass(frozen=True)
class People:
    """One row a person in every array: 0 female / 1 male, band 0…4, fifth 1…5, area index, first time, household."""

    male: Whole
    band: Whole
    age: Whole
    fifth: Whole
    area: Whole
    first: NDArray[np.bool_]
    household: Whole


@dataclass(frozen=True)
class Course:
    """What becomes of each person's kit, drawn beforehand: days count from dispatch."""

    undelivered: NDArray[np.bool_]
    returns: NDArray[np.bool_]
    arrival_days: Whole
    collected_before: Whole
    problem: NDArray[np.object_]
    replacement_returns: NDArray[np.bool_]
    replacement_days: Whole
    fhb: Numbers
    sick: dict[str, NDArray[np.object_]] = field(default_factory=dict)


def people_drawn(rng: np.random.Generator, n: int) -> People:
    """Draw `n` people by the shares of job 12.1 and 12.2; households share address, area and fifth."""
    shares = np.array([*SHARE_F, *SHARE_M]) / 100
    group = rng.choice(10, size=n, p=shares / shares.sum())
    band = group % 5
    area_share = np.array([share for _n, share, _f in AREAS.values()])
    area = rng.choice(len(AREAS), size=n, p=area_share / area_share.sum())
    fifths = np.array([f for _n, _s, f in AREAS.values()]) / 100
    cumulative = fifths.cumsum(axis=1)
    fifth = (rng.random(n)[:, None] > cumulative[area]).sum(axis=1) + 1
    household = np.arange(n)
    paired = rng.random(n // 2) < 0.46
    second = np.flatnonzero(paired) * 2 + 1
    household[second] = second - 1
    area[second], fifth[second] = area[second - 1], fifth[second - 1]
    return People(
        male=(group >= 5).astype(np.int64),
        band=band,
        age=50 + band * 5 + rng.integers(0, 5, n),
        fifth=np.clip(fifth, 1, 5),
        area=area,
        first=rng.random(n) < FIRST_TIME_SHARE,
        household=household,
    )


def return_probability(people: People) -> Numbers:
    """Chance that the kit comes back (job 12.2)."""
    base = np.where(people.male == 1, np.take(BASE_M, people.band), np.take(BASE_F, people.band))
    chance: Numbers = np.clip(
        base + np.take(BY_FIFTH, people.fifth - 1) + np.where(people.first, -0.06, 0.032), 0.02, 0.98
    )
    return chance


def arrival_days_drawn(rng: np.random.Generator, n: int) -> Whole:
    """Days from dispatch to arrival among those who return: three waves (job 12.3)."""
    wave = rng.choice(3, size=n, p=(0.70, 0.24, 0.06))
    start = np.take((2, 30, 58), wave)
    middle = np.take((12.0, 10.0, 28.0), wave)
    sigma = np.take((0.60, 0.60, 0.70), wave)
    days = start + rng.lognormal(np.log(middle), sigma)
    return np.clip(np.round(days), 2, 240).astype(np.int64)


def fhb_drawn(rng: np.random.Generator, people: People, transit: Whole) -> Numbers:
    """f-Hb in µg/g as an analyser would find it: zero-inflated log-normal (job 12.5)."""
    n = len(people.male)
    male = people.male == 1
    detectable = rng.random(n) < np.where(
        male, np.take(DETECTABLE_M, people.band), np.take(DETECTABLE_F, people.band)
    )
    mu = np.where(male, np.take(MU_M, people.band), np.take(MU_F, people.band))
    mu = mu + np.take(MU_FIFTH, people.fifth - 1) + np.where(people.first, 0.15, -0.08)
    mu = mu - 0.010 * np.maximum(transit - 3, 0)
    true = np.exp(rng.normal(mu, np.where(male, 2.60, 2.50)))
    measured = true * (1 + rng.normal(0, 0.06, n)) + rng.normal(0, 0.4, n)
    return np.where(detectable, np.maximum(measured, 0.0), 0.0)


def course_drawn(rng: np.random.Generator, people: People) -> Course:
    """Draw everything that will happen to the kits of these people."""
    n = len(people.male)
    undelivered = rng.random(n) < UNDELIVERED
    returns = (rng.random(n) < return_probability(people)) & ~undelivered
    collected_before = np.clip(np.round(rng.lognormal(np.log(3), 0.60, n)), 0, 20).astype(np.int64)
    arrival = arrival_days_drawn(rng, n)
    collected_before = np.minimum(collected_before, np.maximum(arrival - 1, 0))
    names = ["", *PROBLEMS]
    chance = [1 - sum(PROBLEMS.values()), *PROBLEMS.values()]
    problem = np.array(names, dtype=object)[rng.choice(len(names), size=n, p=chance)]
    replacement_days = np.clip(np.round(rng.lognormal(np.log(14), 0.5, n)), 4, 80).astype(np.int64)
    return Course(
        undelivered=undelivered,
        returns=returns,
        arrival_days=arrival,
        collected_before=collected_before,
        problem=problem,
        replacement_returns=rng.random(n) < 0.70,
        replacement_days=replacement_days,
        fhb=fhb_drawn(rng, people, collected_before),
    )


def postal_day(day: date) -> date:
    """The day the post is brought: weekend arrivals come on Monday (job 12.3)."""
    return day + timedelta(days={5: 2, 6: 1}.get(day.weekday(), 0))


FINDINGS = ("cancer", "advanced_adenoma", "non_advanced", "other", "nothing")


def finding_weights(fhb: float, band: int, male: int) -> Numbers:
    """Chances of the worst finding, in the order of FINDINGS (job 12.6); `fhb` in µg/g, `band` 0…4."""
    level = np.log(max(fhb, 20.0) / 20)
    age = band - 2
    weights = np.array(
        [
            np.exp(-4.05 + 0.90 * level + 0.20 * age + 0.20 * male),
            np.exp(-1.00 + 0.30 * level + 0.06 * age + 0.35 * male),
            np.exp(-0.45 + 0.02 * level + 0.08 * age + 0.40 * male),
            np.exp(-0.65),
            1.0,
        ]
    )
    shares: Numbers = weights / weights.sum()
    return shares
