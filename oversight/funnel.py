"""Funnel plots: exact limits around a target, and over-dispersion; pure.

Source: Spiegelhalter, Stat Med 2005;24:1185-1202. Limits at 95 and 99.8 %; the normal approximation inflated by the
over-dispersion factor where there is one, else exact binomial limits, interpolated.
"""

from collections.abc import Sequence
from math import exp, lgamma, log, sqrt
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, NamedTuple

from django.utils.translation import gettext as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

WARN, ALARM = (0.025, 0.975), (0.001, 0.999)
WINSOR = 0.1
"""The share of z-scores at each end that is drawn in before over-dispersion is estimated."""
FEWEST_UNITS = 8
"""Fewer units than this say too little about over-dispersion (common practice, no source)."""


def normal_limit(target: float, n: int, p: float, phi: float = 1.0) -> float:
    """target + z·√(φ·t(1−t)/n), drawn into 0..1."""
    limit = target + NormalDist().inv_cdf(p) * sqrt(max(phi, 1.0) * target * (1 - target) / n)
    return min(max(limit, 0.0), 1.0)


def exact_limit(target: float, n: int, p: float) -> float:
    """The interpolated exact binomial limit, drawn into 0..1; target strictly between 0 and 1."""
    below, r = 0.0, 0
    total = _mass(0, n, target)
    while total < p and r < n:
        below, r = total, r + 1
        total += _mass(r, n, target)
    share = (total - p) / (total - below) if total > below else 0.0
    return min(max((r - share) / n, 0.0), 1.0)


def _mass(k: int, n: int, p: float) -> float:
    return exp(lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1) + k * log(p) + (n - k) * log(1 - p))


def z_scores(units: Sequence[tuple[int, int]], target: float) -> list[float]:
    """How many standard errors each unit (x of n) lies from the target."""
    return [(x / n - target) / sqrt(target * (1 - target) / n) for x, n in units]


def over_dispersion(units: Sequence[tuple[int, int]], target: float) -> float:
    """The mean of the winsorised squared z-scores, 1 where there is no more spread than chance, or too few units to say."""
    if len(units) < FEWEST_UNITS or not 0 < target < 1:
        return 1.0
    ordered = sorted(z_scores(units, target))
    cut = int(len(ordered) * WINSOR)
    low, high = ordered[cut], ordered[-1 - cut]
    drawn = [min(max(z, low), high) for z in ordered]
    return max(1.0, sum(z * z for z in drawn) / len(drawn))


class Limits(NamedTuple):
    """The four limits at one size."""

    alarm_low: float
    warn_low: float
    warn_high: float
    alarm_high: float


def limits(target: float, n: int, phi: float = 1.0) -> Limits:
    """The limits of a unit of n people; inflated when φ is above 1."""
    if phi > 1:
        return Limits(*(normal_limit(target, n, p, phi) for p in (ALARM[0], WARN[0], WARN[1], ALARM[1])))
    return Limits(*(exact_limit(target, n, p) for p in (ALARM[0], WARN[0], WARN[1], ALARM[1])))


def place_words(share: float, bounds: Limits) -> "StrOrPromise":
    """Where a share stands against the lines."""
    if share < bounds.alarm_low:
        return _("below the 99.8 % line")
    if share > bounds.alarm_high:
        return _("above the 99.8 % line")
    if share < bounds.warn_low:
        return _("below the 95 % line")
    return _("above the 95 % line") if share > bounds.warn_high else _("within the lines")


def chart(
    names: Sequence[str], points: Sequence[tuple[float, int]], target: float, phi: float, *, unit_words: str
) -> dict[str, Any]:
    """The data of a funnel drawn as lines: (share, size) of each unit in the order of their names."""
    bounds = [limits(target, n, phi) for _share, n in points]

    def line(name: str, values: Sequence[float], **more: object) -> dict[str, Any]:
        return {"name": name, "values": [round(100 * value, 1) for value in values], **more}

    return {
        "kind": "line", "unit": "%", "categories": list(names),
        "series": [
            line(unit_words, [share for share, _n in points], marks=True), line(_("programme"), [target] * len(points)),
            line(_("95 %, low"), [one.warn_low for one in bounds]), line(_("95 %, high"), [one.warn_high for one in bounds]),
            line(_("99.8 %, low"), [one.alarm_low for one in bounds]), line(_("99.8 %, high"), [one.alarm_high for one in bounds]),
        ],
    }  # fmt: skip
