"""A figure with everything needed to judge it: counts, interval, basis and maturity; pure."""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.intervals import Interval, poisson_exact, wilson
from results.units import round_half_up

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

COHORT = "cohort"
PERIOD = "period"
TOO_FEW_BELOW = 100
"""Under this denominator the page says "too few to judge". Source: section 7.1 of the job."""

PERCENT = "%"
PER_THOUSAND = "‰"
NEEDED = "needed"
"""How many of the denominator there are to one of the numerator (number needed to screen, to scope)."""
MEAN = "mean"
"""The numerator (minutes, lesions) divided by the denominator; without an interval, which the sums alone cannot give."""
PER_10000_YEARS = "/10⁴"
"""Events per 10,000 person-years; the denominator is whole person-years and the interval Poisson's."""
PER_100000_YEARS = "/10⁵"
"""As the one before, per 100,000: how cancer registries print incidence and mortality."""
SCALES = {
    PERCENT: (100, 1), PER_THOUSAND: (1000, 2), MEAN: (1, 2), PER_10000_YEARS: (10_000, 2), PER_100000_YEARS: (100_000, 1),
}  # fmt: skip
"""Unit → factor and decimals printed."""


@dataclass(frozen=True, slots=True)
class Maturity:
    """How much of its time a figure has had: complete, or provisional with the share that has passed."""

    passed: float = 1.0
    basis: str = COHORT

    @property
    def complete(self) -> bool:
        """Whether everybody counted has had the whole window (or the whole period is over)."""
        return self.passed >= 1

    @property
    def code(self) -> str:
        """The state for programs."""
        return "complete" if self.complete else "provisional"

    @property
    def percent(self) -> int:
        """Whole per cent passed, never rounded up to 100."""
        return min(int(100 * self.passed), 100)

    @property
    def short(self) -> "StrOrPromise":
        """The state in as few words as a table has room for."""
        return _("complete") if self.complete else format_lazy(_("provisional, {n} %"), n=self.percent)

    @property
    def words(self) -> "StrOrPromise":
        """The state in words."""
        if self.complete:
            return _("complete")
        if self.basis == COHORT:
            return format_lazy(_("provisional: {n} % of the window has passed"), n=self.percent)
        return format_lazy(_("provisional: {n} % of the period has passed"), n=self.percent)


@dataclass(frozen=True, slots=True)
class Figure:
    """`numerator` of `denominator` with its 95 % Wilson interval; `low` and `high` are None of nobody."""

    numerator: int
    denominator: int
    low: float | None
    high: float | None
    basis: str
    maturity: Maturity
    unit: str = PERCENT

    @property
    def too_few(self) -> bool:
        """Whether the denominator is too small to judge by."""
        return self.denominator < TOO_FEW_BELOW

    @property
    def percent(self) -> Decimal | None:
        """The share in per cent with one decimal, rounded once from the counts; None of nobody."""
        if not self.denominator:
            return None
        return round_half_up(Fraction(100 * self.numerator, self.denominator), 1)

    @property
    def value(self) -> Decimal | None:
        """The figure in its unit, rounded once from the counts; None where there is nothing to divide by."""
        if self.unit == NEEDED:
            return round_half_up(Fraction(self.denominator, self.numerator), 1) if self.numerator else None
        scale, decimals = SCALES[self.unit]
        if not self.denominator:
            return None
        return round_half_up(Fraction(scale * self.numerator, self.denominator), decimals)

    @property
    def limits(self) -> tuple[float, float] | None:
        """The interval in its unit; None of nobody, or where one end has no value."""
        if self.low is None or self.high is None:
            return None
        if self.unit == NEEDED:
            return (1 / self.high, 1 / self.low) if self.low and self.high else None
        scale = SCALES[self.unit][0]
        return (scale * self.low, scale * self.high)

    @property
    def low_percent(self) -> float | None:
        """The lower limit in per cent."""
        return None if self.low is None else round(100 * self.low, 1)

    @property
    def high_percent(self) -> float | None:
        """The upper limit in per cent."""
        return None if self.high is None else round(100 * self.high, 1)

    @property
    def words(self) -> str:
        """The figure as it is printed, or a dash."""
        if self.value is None:
            return "–"
        if self.unit == PER_THOUSAND:
            return str(format_lazy(_("{n} per 1,000"), n=self.value))
        if self.unit == PER_10000_YEARS:
            return str(format_lazy(_("{n} per 10,000 person-years"), n=self.value))
        if self.unit == PER_100000_YEARS:
            return str(format_lazy(_("{n} per 100,000 person-years"), n=self.value))
        return f"{self.value} %" if self.unit == PERCENT else f"{self.value}"

    @property
    def interval_words(self) -> str:
        """The limits as they are printed, or a dash."""
        if self.limits is None:
            return "–"
        low, high = self.limits
        if self.unit == PERCENT:
            return f"{low:.1f}–{high:.1f} %"
        return f"{low:.1f}–{high:.1f}" if self.unit == NEEDED else f"{low:.2f}–{high:.2f}"

    def as_dict(self) -> dict[str, object]:
        """The figure for programs."""
        return {
            "numerator": self.numerator,
            "denominator": self.denominator,
            "percent": None if self.percent is None else float(self.percent),
            "value": None if self.value is None else float(self.value),
            "unit": self.unit,
            "value_low": None if self.limits is None else round(self.limits[0], 2),
            "value_high": None if self.limits is None else round(self.limits[1], 2),
            "low": self.low_percent,
            "high": self.high_percent,
            "basis": self.basis,
            "maturity": self.maturity.code,
            "passed_percent": self.maturity.percent,
            "too_few": self.too_few,
        }


def figure_of(
    numerator: int, denominator: int, *, basis: str, passed: float = 1.0, unit: str = PERCENT
) -> Figure:
    """A figure from its counts; `passed` is the share of the window or period that is over, 0 to 1.

    The interval is Wilson's of the proportion, Poisson's of a rate; of a mean, and where a numerator exceeds its
    denominator (things counted, not people), there is none.
    """
    limits = _limits(numerator, denominator, unit)
    return Figure(
        numerator=numerator,
        denominator=denominator,
        low=limits.low if limits else None,
        high=limits.high if limits else None,
        basis=basis,
        maturity=Maturity(passed=passed, basis=basis),
        unit=unit,
    )


def _limits(numerator: int, denominator: int, unit: str) -> Interval | None:
    if unit == MEAN or not denominator:
        return None
    if unit in (PER_10000_YEARS, PER_100000_YEARS):
        events = poisson_exact(numerator)
        return Interval(events.low / denominator, events.high / denominator)
    return wilson(numerator, denominator) if 0 <= numerator <= denominator else None
