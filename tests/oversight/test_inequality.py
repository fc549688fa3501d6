"""Slope and concentration indices against a printed table, libraries of numbers and chance itself."""

import numpy as np
import pytest

from oversight.inequality import concentration_index, slope_index

# Source: World Bank, Analyzing Health Equity Using Household Survey Data (O'Donnell et al. 2008), table 8.1: births and
# under-five deaths per 1,000 by wealth, India 1982-92, poorest first (from memory); the printed index is −0.1694.
BIRTHS = (29939, 28776, 26528, 24689, 19739)
DEATHS_PER_1000 = (154.7, 152.9, 119.5, 86.9, 54.3)
INDIA = [(round(n * rate / 1000), n) for n, rate in zip(BIRTHS, DEATHS_PER_1000, strict=True)]
UPTAKE = [(7412, 10210), (7105, 10180), (6820, 10055), (6320, 9930), (5480, 9760)]
"""Invented: uptake falling from 72.6 to 56.1 %."""


def test_concentration_index_as_printed() -> None:
    found = concentration_index(INDIA)
    assert found is not None
    assert round(found.value, 4) == -0.1694


# Source: the curve's own form, Σ p(t)·L(t+1) − p(t+1)·L(t) (same book, chapter 8), by numpy.
@pytest.mark.parametrize("groups", [INDIA, UPTAKE, [(5, 50), (9, 40)]])
def test_concentration_index_is_that_of_the_curve(groups: list[tuple[int, int]]) -> None:
    x, n = (np.array(side, dtype=float) for side in zip(*groups, strict=True))
    p, curve = np.cumsum(n) / n.sum(), np.cumsum(x) / x.sum()
    found = concentration_index(groups)
    assert found is not None
    assert found.value == pytest.approx(float(np.sum(p[:-1] * curve[1:] - p[1:] * curve[:-1])), abs=1e-12)


# Source: weighted least squares by numpy.polyfit (weights there multiply the residuals, so their roots).
@pytest.mark.parametrize("groups", [INDIA, UPTAKE, [(5, 50), (9, 40)]])
def test_slope_index_is_a_weighted_line(groups: list[tuple[int, int]]) -> None:
    x, n = (np.array(side, dtype=float) for side in zip(*groups, strict=True))
    rank = (np.cumsum(n) - n / 2) / n.sum()
    found = slope_index(groups)
    assert found is not None
    assert found.value == pytest.approx(float(np.polyfit(rank, x / n, 1, w=np.sqrt(n))[0]), abs=1e-12)


def test_intervals_are_as_wide_as_chance_makes_them() -> None:
    """The 2.5 and 97.5 % points of 20,000 draws from the binomial distributions of the groups (numpy)."""
    rng, sizes = np.random.default_rng(8), [n for _x, n in UPTAKE]
    draws = rng.binomial(sizes, [x / n for x, n in UPTAKE], size=(20_000, 5))
    for index in (slope_index, concentration_index):
        found = index(UPTAKE)
        assert found is not None
        values = [one.value for row in draws if (one := index(list(zip(map(int, row), sizes, strict=True))))]
        low, high = np.quantile(values, [0.025, 0.975])
        width = found.high - found.low
        assert (found.low, found.high) == pytest.approx((low, high), abs=0.03 * width)


def test_equal_shares_are_not_unequal_and_nobody_has_no_index() -> None:
    for index in (slope_index, concentration_index):
        even = index([(30, 100), (60, 200), (15, 50)])
        assert even is not None
        assert even.value == pytest.approx(0, abs=1e-12)
        assert even.low < 0 < even.high
        assert index([(3, 10)]) is None
        assert index([(3, 10), (0, 0)]) is None
    assert concentration_index([(0, 10), (0, 10)]) is None
