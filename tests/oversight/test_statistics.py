"""Curves, funnels, standardised rates, counts and hidden cells against libraries of statistics and printed values."""

import itertools
import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from oversight import funnel, survival
from oversight.intervals import newcombe_difference, poisson_exact, standardised, wilson
from oversight.standards import STANDARDS
from oversight.suppression import SMALLEST, hidden
from oversight.survival import CENSORED, EVENT, OTHER, Waits

CASES = [(0, 1), (1, 1), (0, 20), (3, 40), (81, 263), (529056, 741914), (5, 5)]


@pytest.mark.parametrize(("x", "n"), CASES)
def test_wilson_is_that_of_statsmodels(x: int, n: int) -> None:
    assert wilson(x, n) == pytest.approx(proportion_confint(x, n, method="wilson"), abs=1e-9)


@pytest.mark.parametrize(
    ("one", "two"), list(itertools.combinations([(56, 70), (48, 80), (7, 34), (1, 34)], 2))
)
def test_difference_is_newcombes_of_statsmodels(one: tuple[int, int], two: tuple[int, int]) -> None:
    expected = confint_proportions_2indep(*one, *two, compare="diff", method="newcomb")
    assert newcombe_difference(*one, *two) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("x", [0, 1, 2, 7, 30, 159, 1000])
def test_exact_limits_of_a_count_are_those_of_the_chi_square(x: int) -> None:
    low = scipy.stats.chi2.ppf(0.025, 2 * x) / 2 if x else 0.0
    assert poisson_exact(x) == pytest.approx((low, scipy.stats.chi2.ppf(0.975, 2 * x + 2) / 2), rel=1e-7)


# Source: section 5.3 of the shared standards (synthetic, worked there): ages 50-54 to 70-74, ESP2013, per 100,000.
def test_standardised_rate_worked_by_hand() -> None:
    found = standardised([12, 20, 31, 44, 52], [10000, 9500, 9000, 8000, 6500], STANDARDS["europe_2013"][1])
    assert found is not None
    assert [round(100_000 * value, 3) for value in found] == [376.670, 320.296, 440.092]


def test_standardised_rate_of_nobody_is_none() -> None:
    assert standardised([0, 0], [0, 0], [1, 1]) is None
    none_found = standardised([0, 0], [100, 100], [1, 1])
    assert none_found is not None
    assert (none_found.rate, none_found.low) == (0.0, 0.0)
    assert none_found.high > 0


# Source: Freireich et al. 1963, 6-mercaptopurine arm (times from memory), with Greenwood errors and log-log limits.
FREIREICH = [Waits(t, EVENT, n) for t, n in ((6, 3), (7, 1), (10, 1), (13, 1), (16, 1), (22, 1), (23, 1))] + [
    Waits(t, CENSORED, 1) for t in (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
]
PRINTED = [
    (6, 21, 3, 0.8571, 0.0764, 0.6197, 0.9516), (7, 17, 1, 0.8067, 0.0869, 0.5631, 0.9228),
    (10, 15, 1, 0.7529, 0.0963, 0.5032, 0.8894), (13, 12, 1, 0.6902, 0.1068, 0.4316, 0.8491),
    (16, 11, 1, 0.6275, 0.1141, 0.3675, 0.8049), (22, 7, 1, 0.5378, 0.1282, 0.2678, 0.7468),
    (23, 6, 1, 0.4482, 0.1346, 0.1881, 0.6801),
]  # fmt: skip


def test_survival_of_freireich_as_printed() -> None:
    steps = survival.curve(FREIREICH)
    assert [
        (s.days, s.at_risk, s.events, *(round(v, 4) for v in (s.survival, s.error, s.low, s.high)))
        for s in steps
    ] == PRINTED


def draw(seed: int, n: int = 300) -> list[Waits]:
    rng = np.random.default_rng(seed)
    ends = rng.choice([EVENT, OTHER, CENSORED], size=n, p=[0.6, 0.15, 0.25])
    return [Waits(int(d), str(e), 1) for d, e in zip(rng.integers(1, 60, n), ends, strict=True)]


@pytest.mark.parametrize("seed", range(5))
def test_curves_are_those_of_statsmodels(seed: int) -> None:
    waits = draw(seed)
    steps = survival.curve(waits)
    times = np.array([w.days for w in waits])
    kinds = np.array([{EVENT: 1, OTHER: 2, CENSORED: 0}[w.end] for w in waits])
    both = SurvfuncRight(times, (kinds > 0).astype(int))
    assert [s.survival for s in steps] == pytest.approx(list(both.surv_prob), abs=1e-9)
    assert [s.error for s in steps if s.survival > 0] == pytest.approx(
        [e for e, p in zip(both.surv_prob_se, both.surv_prob, strict=True) if p > 0], abs=1e-9
    )
    oracle = CumIncidenceRight(times, kinds)
    for days, value in zip(oracle.times, oracle.cinc[0], strict=True):
        assert survival.incidence_at(steps, int(days)) == pytest.approx(value, abs=1e-9)
    assert steps[-1].incidence + steps[-1].other_incidence + steps[-1].survival == pytest.approx(1)


def test_days_until_a_share() -> None:
    steps = survival.curve([Waits(3, EVENT, 5), Waits(9, EVENT, 4), Waits(20, CENSORED, 1)])
    assert [survival.days_until(steps, share) for share in (0.5, 0.9, 0.95)] == [3, 9, None]


# Source: section 5.5 of the shared standards: Spiegelhalter's limits, recomputed there; exact ones from memory.
@pytest.mark.parametrize(
    ("target", "n", "normal", "exact"),
    [
        (0.06, 500, (2.718, 3.918, 8.082, 9.282), (2.874, 3.898, 8.067, 9.420)),
        (0.06, 2000, (4.359, 4.959, 7.041, 7.641), (4.399, 4.955, 7.037, 7.678)),
        (0.03, 100, (0.0, 0.0, 6.343, 8.272), (0.0, 0.0, 6.302, 8.946)),
    ],
)
def test_funnel_limits(target: float, n: int, normal: tuple[float, ...], exact: tuple[float, ...]) -> None:
    points = (0.001, 0.025, 0.975, 0.999)
    assert tuple(round(100 * funnel.normal_limit(target, n, p), 3) for p in points) == normal
    assert tuple(round(100 * funnel.exact_limit(target, n, p), 3) for p in points) == exact


def test_over_dispersion_widens_and_never_narrows() -> None:
    calm = [(60, 1000)] * 10
    wild = [(x, 1000) for x in (20, 30, 45, 50, 60, 65, 70, 80, 90, 110)]
    assert funnel.over_dispersion(calm, 0.06) == 1.0
    phi = funnel.over_dispersion(wild, 0.06)
    assert phi > 3
    assert funnel.over_dispersion(wild[:7], 0.06) == 1.0
    narrow, wide = funnel.limits(0.06, 1000), funnel.limits(0.06, 1000, phi)
    assert wide.alarm_low < narrow.alarm_low
    assert wide.warn_high > narrow.warn_high


# What is hidden must not be found by taking what is shown from the totals of its row or column.
@given(st.lists(st.lists(st.integers(0, 40), min_size=4, max_size=4), min_size=2, max_size=6))
def test_no_hidden_count_can_be_worked_out(table: list[list[int]]) -> None:
    found = hidden(table)
    for row, flags in zip(table, found, strict=True):
        assert all(flag for cell, flag in zip(row, flags, strict=True) if 0 < cell < SMALLEST)
    lines = [[(r, c) for c in range(4)] for r in range(len(table))]
    lines += [[(r, c) for r in range(len(table))] for c in range(4)]
    for line in lines:
        inside = [table[r][c] for r, c in line if found[r][c]]
        shown = [table[r][c] for r, c in line if not found[r][c]]
        if inside and shown:
            assert len(inside) > 1
            assert sum(inside) >= SMALLEST


def test_nothing_small_hides_nothing() -> None:
    assert hidden([[0, 10], [25, 300]]) == [[False, False], [False, False]]
    assert math.prod(len(row) for row in hidden([])) == 1
