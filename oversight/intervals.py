"""Confidence intervals for proportions and their differences; pure, floats only, no ORM."""

from __future__ import annotations

from math import sqrt
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
