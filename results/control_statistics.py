"""Mean, SD, CV and bias of control readings, and how long a stock lasts; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import sqrt


@dataclass(frozen=True, slots=True)
class ControlFigures:
    """What the readings of one control lot amount to; `cv` and `bias` in per cent, None when they cannot be told."""

    n: int
    mean: float | None
    sd: float | None
    cv: float | None
    bias: float | None


def control_figures(values: Sequence[Decimal], target: Decimal) -> ControlFigures:
    """n, mean, SD (n − 1), CV = 100 · SD / mean, bias = 100 · (mean − target) / target.

    All values and the target in one unit. ValueError for a target that is not above zero. Source: textbook
    definitions of imprecision and bias (from memory); the SD needs two readings.
    """
    if not target > 0:
        raise ValueError("a target must be above zero")
    n = len(values)
    if n == 0:
        return ControlFigures(0, None, None, None, None)
    mean = sum((Fraction(value) for value in values), Fraction(0)) / n
    bias = float(100 * (mean - Fraction(target)) / Fraction(target))
    if n == 1:
        return ControlFigures(1, float(mean), None, None, bias)
    variance = sum(((Fraction(value) - mean) ** 2 for value in values), Fraction(0)) / (n - 1)
    sd = sqrt(variance)
    return ControlFigures(n, float(mean), sd, 100 * sd / float(mean) if mean else None, bias)


@dataclass(frozen=True, slots=True)
class Target:
    """A target and SD that a laboratory's own readings would give."""

    mean: float
    sd: float


ENOUGH_READINGS, ENOUGH_DAYS = 20, 10


def own_target(days_and_values: Sequence[tuple[object, Decimal]]) -> Target | None:
    """Mean and SD from the laboratory's own readings, or None while they are fewer than 20 over 10 days.

    Source: job 2.8, “target/SD from ≥ 20 measurements over ≥ 10 days”, common practice, no source.
    """
    days = {day for day, _value in days_and_values}
    if len(days_and_values) < ENOUGH_READINGS or len(days) < ENOUGH_DAYS:
        return None
    figures = control_figures([value for _day, value in days_and_values], Decimal(1))
    if figures.mean is None or figures.sd is None:
        return None
    return Target(figures.mean, figures.sd)


def days_of_cover(left: int | Decimal, used: int, days: int) -> int | None:
    """Whole days that a stock lasts at the use of the last so many days; None when nothing was used."""
    if used <= 0 or days <= 0:
        return None
    return int(Fraction(left) * days / used)
