"""How unequal shares are across ordered groups: slope index of inequality and concentration index, with intervals; pure.

Groups are (counted, out of), from the least to the most deprived; groups of nobody are left out. Both intervals treat
each group's count as binomial and carry its error through the formula (delta method); a group in which everybody or
nobody is counted adds no error, so the interval is then a little too narrow.
"""

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

from oversight.intervals import z_value

Groups = Sequence[tuple[int, int]]


class Index(NamedTuple):
    """An index with its 95 % interval; no unit: a difference of shares, or a relative index between −1 and 1."""

    value: float
    low: float
    high: float


def ranks(sizes: Sequence[int]) -> list[float]:
    """The middle of each group's place among all people, from 0 to 1."""
    whole, run, found = sum(sizes), 0.0, []
    for n in sizes:
        found.append((run + n / 2) / whole)
        run += n
    return found


def _people(groups: Groups) -> tuple[list[float], list[int], list[float]]:
    """Shares, sizes and ranks of the groups in which there is somebody."""
    rows = [(x, n) for x, n in groups if n]
    sizes = [n for _x, n in rows]
    return [x / n for x, n in rows], sizes, ranks(sizes)


def _index(value: float, weights: Sequence[float], shares: Sequence[float], sizes: Sequence[int]) -> Index:
    """The value with the interval of a sum of shares, each times its weight (the derivative by that share)."""
    error = sqrt(sum(w * w * p * (1 - p) / n for w, p, n in zip(weights, shares, sizes, strict=True)))
    return Index(value, value - z_value() * error, value + z_value() * error)


def slope_index(groups: Groups) -> Index | None:
    """Difference in shares between the most and the least deprived end; None of fewer than two groups.

    The slope of a line through the groups' shares over their ranks, each weighing by its people. Source: Mackenbach &
    Kunst, Soc Sci Med 1997;44:757.
    """
    shares, sizes, places = _people(groups)
    if len(sizes) < 2:
        return None
    whole = sum(sizes)
    middle = sum(n * rank for n, rank in zip(sizes, places, strict=True)) / whole
    spread = sum(n * (rank - middle) ** 2 for n, rank in zip(sizes, places, strict=True))
    weights = [n * (rank - middle) / spread for n, rank in zip(sizes, places, strict=True)]
    return _index(sum(w * p for w, p in zip(weights, shares, strict=True)), weights, shares, sizes)


def concentration_index(groups: Groups) -> Index | None:
    """Relative concentration index, below 0 where the least deprived have more; None of fewer than two groups, or of none counted.

    C = 2/μ · Σ f·p·R − 1 with f the share of the people, p the group's share, R its rank and μ the share of all. Source:
    Kakwani, Wagstaff & van Doorslaer, J Econometrics 1997;77:87. For a share it cannot go beyond −(1 − μ) and 1 − μ
    (Wagstaff, Health Econ 2005;14:429), so compare it only between figures of a like size.
    """
    shares, sizes, places = _people(groups)
    whole = sum(sizes)
    mean = sum(p * n for p, n in zip(shares, sizes, strict=True)) / whole if whole else 0.0
    if len(sizes) < 2 or not mean:
        return None
    parts = [n / whole for n in sizes]
    value = 2 / mean * sum(f * p * r for f, p, r in zip(parts, shares, places, strict=True)) - 1
    weights = [f * (2 * r - 1 - value) / mean for f, r in zip(parts, places, strict=True)]
    return _index(value, weights, shares, sizes)
