"""Confidence intervals, checked against a general statistics library and by their properties."""

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from oversight.intervals import Z95, newcombe_difference, wilson, z_value

patient = hypothesis_settings(deadline=None)
counts = st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.sampled_from([0.8, 0.9, 0.95, 0.99, 0.998])


def test_z_value() -> None:
    assert round(Z95, 6) == round(z_value(), 6) == 1.959964
    assert round(z_value(0.998), 4) == 3.0902


@pytest.mark.parametrize("level", [0, 1, -0.1, 95])
def test_a_level_is_a_fraction(level: float) -> None:
    with pytest.raises(ValueError, match="level"):
        z_value(level)


@pytest.mark.parametrize(("x", "n"), [(0, 0), (-1, 5), (6, 5), (0, -1)])
def test_no_proportion_no_interval(x: int, n: int) -> None:
    with pytest.raises(ValueError, match="no proportion"):
        wilson(x, n)


@patient
@given(counts, levels)
def test_wilson_agrees_with_the_library(count: tuple[int, int], level: float) -> None:
    x, n = count
    low, high = proportion_confint(x, n, alpha=1 - level, method="wilson")
    assert wilson(x, n, level) == pytest.approx((max(low, 0), min(high, 1)), abs=1e-9)


@patient
@given(counts, counts, levels)
def test_the_difference_agrees_with_the_library(
    one: tuple[int, int], two: tuple[int, int], level: float
) -> None:
    low, high = confint_proportions_2indep(*one, *two, method="newcomb", compare="diff", alpha=1 - level)
    assert newcombe_difference(*one, *two, level) == pytest.approx((max(low, -1), min(high, 1)), abs=1e-7)


@patient
@given(counts, levels)
def test_the_proportion_lies_inside_and_mirrors(count: tuple[int, int], level: float) -> None:
    x, n = count
    low, high = wilson(x, n, level)
    assert 0 <= low <= x / n <= high <= 1
    mirrored = wilson(n - x, n, level)
    assert mirrored == pytest.approx((1 - high, 1 - low), abs=1e-9)


@patient
@given(counts, counts)
def test_a_difference_turns_round_with_its_sides(one: tuple[int, int], two: tuple[int, int]) -> None:
    low, high = newcombe_difference(*one, *two)
    assert newcombe_difference(*two, *one) == pytest.approx((-high, -low), abs=1e-12)


def test_none_and_all_touch_the_ends() -> None:
    assert wilson(0, 20).low == 0.0
    assert wilson(20, 20).high == 1.0
    assert newcombe_difference(10, 10, 0, 10).high == 1.0
