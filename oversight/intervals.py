"""Confidence intervals of proportions, differences, counts and standardised rates; pure, floats only, no ORM."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import exp, sqrt
from math import log as _log
from statistics import NormalDist
from typing import NamedTuple

Z95 = NormalDist().inv_cdf(0.975)


class Interval(NamedTuple):
    """Lower and upper limit, as proportions."""

    low: float
    high: float


def z_value(level: float = 0.95) -> float:
    """The two-sided normal deviate of a confidence level, 1.959964 for 0.95. ValueError unless 0 < level
    < 1."""
    if not 0 < level < 1:
        raise ValueError("a confidence level lies between 0 and 1")
    return NormalDist().inv_cdf((1 + level) / 2)


def wilson(x: int, n: int, level: float = 0.95) -> Interval:
    """The Wilson score interval of x out of n, without continuity correction, as proportions 0 to 1.

    Exactly 0 below when x is 0 and exactly 1 above when x is n. ValueError for n below 1 or x outside
    0..n: a proportion of nobody has no interval, and the page says so. Source: Newcombe, Stat Med
    1998;17:857-872, method 3.
    """
    if n < 1 or not 0 <= x <= n:
        raise ValueError(f"no proportion: {x} of {n}")
    z = z_value(level)
    p, zz = x / n, z * z
    middle = p + zz / (2 * n)
    half = z * sqrt(p * (1 - p) / n + zz / (4 * n * n))
    scale = 1 + zz / n
    low = 0.0 if x == 0 else (middle - half) / scale
    high = 1.0 if x == n else (middle + half) / scale
    return Interval(max(0.0, low), min(1.0, high))


def newcombe_difference(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> Interval:
    """The interval of the difference x1/n1 − x2/n2, from the Wilson limits of each (square and add), −1
    to 1.

    ValueError as for ``wilson``. Source: Newcombe, Stat Med 1998;17:873-890, method 10.
    """
    (l1, u1), (l2, u2) = wilson(x1, n1, level), wilson(x2, n2, level)
    p1, p2 = x1 / n1, x2 / n2
    difference = p1 - p2
    low = difference - sqrt((p1 - l1) ** 2 + (u2 - p2) ** 2)
    high = difference + sqrt((u1 - p1) ** 2 + (p2 - l2) ** 2)
    return Interval(max(-1.0, low), min(1.0, high))


def poisson_exact(x: int, level: float = 0.95) -> Interval:
    """The exact limits of a count x: Garwood's, by bisection on the Poisson distribution; 0 below when x is 0.

    ValueError for x below 0. Source: Garwood, Biometrika 1936;28:437-442.
    """
    if x < 0:
        raise ValueError(f"no count: {x}")
    tail = (1 - level) / 2
    low = 0.0 if x == 0 else _solve(lambda mean: 1 - _poisson_cdf(x - 1, mean), tail, 0.0, float(x))
    high = _solve(lambda mean: 1 - _poisson_cdf(x, mean), 1 - tail, float(x), x + 12 * sqrt(x + 1) + 12)
    return Interval(low, high)


def _poisson_cdf(x: int, mean: float) -> float:
    if mean <= 0:
        return 1.0
    log = -mean
    total = exp(log)
    for k in range(1, x + 1):
        log += _log(mean) - _log(k)
        total += exp(log)
    return min(total, 1.0)


def _solve(rising: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """Where a rising function takes a value, by bisection."""
    for _ in range(200):
        middle = (low + high) / 2
        if rising(middle) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def byar(x: int, level: float = 0.95) -> Interval:
    """Byar's approximate limits of a count x. Source: Breslow & Day, IARC 1987, volume II, page 69 (from memory)."""
    z = z_value(level)
    low = 0.0 if x == 0 else x * (1 - 1 / (9 * x) - z / (3 * sqrt(x))) ** 3
    up = x + 1
    return Interval(low, up * (1 - 1 / (9 * up) + z / (3 * sqrt(up))) ** 3)


class Standardised(NamedTuple):
    """A directly standardised rate with its limits, as a proportion."""

    rate: float
    low: float
    high: float


def standardised(
    counts: Sequence[int], people: Sequence[int], weights: Sequence[float], level: float = 0.95
) -> Standardised | None:
    """The directly standardised rate of groups with `counts` of `people`, weighing as a standard population does.

    Groups without people are left out, with their weight; None when nobody is left. Limits: Dobson's, with Byar's for
    the total count. Source: Dobson et al., Stat Med 1991;10:457-462, as used in public-health statistics.
    """
    rows = [(x, n, w) for x, n, w in zip(counts, people, weights, strict=True) if n > 0 and w > 0]
    if not rows:
        return None
    whole = sum(w for _x, _n, w in rows)
    rate = sum(w * x / n for x, n, w in rows) / whole
    variance = sum(w * w * x / n**2 for x, n, w in rows) / whole**2
    total = sum(x for x, _n, _w in rows)
    if not total:
        return Standardised(0.0, 0.0, byar(0, level).high * max(w / n for _x, n, w in rows) / whole)
    limits, scale = byar(total, level), sqrt(variance / total)
    return Standardised(
        rate, max(0.0, rate + scale * (limits.low - total)), rate + scale * (limits.high - total)
    )
