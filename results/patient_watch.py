"""Watching the readings of people: unit slips, drifts in zero-inflated data, carry-over and sequence slips; pure.

Most people have no detectable haemoglobin, so a plain moving median stands still at zero and sees nothing. What moves is
the share that is detectable, the share at or above the cutoff, and the median of what is detectable (job 7.7).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import erf, log, sqrt
from statistics import fmean, median, stdev

EDGES = (2.0, 4.0, 10.0, 20.0, 40.0, 80.0, 200.0)
"""Lower edges of the bands after the first, in µg/g: under 2, 2–4, 4–10, 10–20, 20–40, 40–80, 80–200, 200 and over."""
ALARM = log(1000)


@dataclass(frozen=True, slots=True)
class ZeroInflated:
    """A population's f-Hb: the share with any, and mean and SD of its natural logarithm among those (µg/g)."""

    detectable: float = 0.411
    mu: float = 0.35
    sigma: float = 2.55

    def share_below(self, value: float) -> float:
        """The share of all people under a value above zero."""
        normal = 0.5 * (1 + erf((log(value) - self.mu) / (self.sigma * sqrt(2))))
        return 1 - self.detectable + self.detectable * normal

    def bands(self, factor: float = 1.0, edges: Sequence[float] = EDGES) -> list[float]:
        """The share in each band when every value is written down `factor` times too large."""
        below = [self.share_below(edge / factor) for edge in edges]
        return [later - earlier for earlier, later in zip([0.0, *below], [*below, 1.0], strict=True)]


@dataclass(frozen=True, slots=True)
class Under:
    """A reading of which only is told that it lies under this value (µg/g, above zero)."""

    limit: float


@dataclass(frozen=True, slots=True)
class Watch:
    """How a cumulative sum ran: its value after each reading, and the reading at which it first passed its limit."""

    sums: tuple[float, ...]
    alarm_at: int | None
    limit: float = ALARM

    @property
    def alarm(self) -> bool:
        """Whether it passed its limit."""
        return self.alarm_at is not None

    @property
    def stands(self) -> bool:
        """Whether it is at or past its limit at the newest reading; a slip that goes on keeps it there."""
        return bool(self.sums) and self.sums[-1] >= self.limit


def _run(steps: Sequence[float], limit: float) -> Watch:
    total, sums, alarm = 0.0, [], None
    for n, step in enumerate(steps):
        total = max(0.0, total + step)
        sums.append(total)
        if alarm is None and total >= limit:
            alarm = n
    return Watch(tuple(sums), alarm, limit)


def unit_watch(
    values: Sequence[float | Under], factor: float, model: ZeroInflated | None = None, limit: float = ALARM
) -> Watch:
    """Whether readings look `factor` times too large rather than as the population's should.

    `values` in µg/g in the order measured; one that was only told to lie under a limit as `Under` that limit, judged by
    the share under it. Cumulative sum of the logarithm of the likelihood ratio over the bands. Source: cumulative sums
    after Page, Biometrika 1954;41:100-115 (from memory); bands and limit ln 1000 from job 7.7.
    """
    known = model or ZeroInflated()
    right, wrong = known.bands(), known.bands(factor)
    step = [log(w / r) for r, w in zip(right, wrong, strict=True)]
    censored = {
        one.limit: log(known.share_below(one.limit / factor) / known.share_below(one.limit))
        for one in set(values)
        if isinstance(one, Under)
    }
    return _run(
        [censored[v.limit] if isinstance(v, Under) else step[bisect_right(EDGES, v)] for v in values], limit
    )


def share_watch(flags: Sequence[bool], expected: float, suspected: float, limit: float = ALARM) -> Watch:
    """Bernoulli cumulative sum: whether a share has moved from `expected` to `suspected` (or beyond).

    ValueError unless both lie between 0 and 1 and differ. Source: log-likelihood steps ln(p₁/p₀) and ln(q₁/q₀), after
    Reynolds and Stoumbos, J Qual Technol 1999;31:87-108 (from memory).
    """
    if not 0 < expected < 1 or not 0 < suspected < 1 or expected == suspected:
        raise ValueError("two different shares between 0 and 1 are needed")
    yes, no = log(suspected / expected), log((1 - suspected) / (1 - expected))
    return _run([yes if flag else no for flag in flags], limit)


def moving_share(flags: Sequence[bool], window: int) -> list[float | None]:
    """The share of the last `window` readings at each reading; None before there are so many."""
    found: list[float | None] = []
    total = 0
    for n, flag in enumerate(flags):
        total += flag
        if n >= window:
            total -= flags[n - window]
        found.append(total / window if n >= window - 1 else None)
    return found


def median_detectable(values: Sequence[float | None], window: int) -> list[float | None]:
    """The median of the last `window` detectable readings at each detectable one; None elsewhere and before."""
    seen: list[float] = []
    found: list[float | None] = []
    for value in values:
        if value is None:
            found.append(None)
            continue
        seen = [*seen, value][-window:]
        found.append(median(seen) if len(seen) == window else None)
    return found


@dataclass(frozen=True, slots=True)
class Measured:
    """One reading for the detectors: running number, value (µg/g), and whether it is over the upper limit."""

    number: int
    value: float
    over: bool = False


def carry_over_suspects(readings: Sequence[Measured], loq: float, window: int = 1) -> list[Measured]:
    """Small detectable readings right after one over the upper limit: each may be what the last one left behind.

    Small means under ten times the reporting limit. To be measured again from the vial, not to be judged by this.
    Source: common practice, no source.
    """
    ordered = sorted(readings, key=lambda one: one.number)
    found = []
    for n, one in enumerate(ordered):
        before = ordered[max(0, n - window) : n]
        if (
            not one.over
            and loq <= one.value < 10 * loq
            and any(b.over and one.number - b.number <= window for b in before)
        ):
            found.append(one)
    return found


def slip_of(
    expected: Mapping[int, tuple[float, float]], readings: Sequence[Measured], furthest: int = 3
) -> int | None:
    """By how many places the results stand off their vials, told by check samples at positions only the list knows.

    `expected`: running number → lowest and highest value its check sample may read. 0 when all fit where they are; the
    smallest shift at which all fit otherwise; None when no shift explains it. ValueError without a check sample.
    """
    if not expected:
        raise ValueError("at least one check sample is needed")
    by_number = {one.number: one.value for one in readings}
    shifts = [0, *(sign * n for n in range(1, furthest + 1) for sign in (1, -1))]
    for shift in shifts:
        seen = [(by_number.get(number + shift), span) for number, span in expected.items()]
        if all(value is not None and low <= value <= high for value, (low, high) in seen):
            return shift
    return None


@dataclass(frozen=True, slots=True)
class MeanLog:
    """The detectable readings of one group: how many, the mean of their natural logarithms, and its standard error."""

    n: int
    mean: float
    error: float


def mean_log_by(readings: Iterable[tuple[int, float]]) -> dict[int, MeanLog]:
    """Mean log f-Hb of detectable readings (µg/g, above zero) by group: days on the way, or the month.

    Groups of fewer than two readings are left out. Haemoglobin that breaks down on the way or in the heat shows as a
    falling mean, long before anybody's class changes (job 7.7, stability watch).
    """
    logs: dict[int, list[float]] = {}
    for group, value in readings:
        logs.setdefault(group, []).append(log(value))
    return {
        group: MeanLog(len(own), fmean(own), stdev(own) / sqrt(len(own)))
        for group, own in sorted(logs.items())
        if len(own) > 1
    }


def lower_than(one: MeanLog, other: MeanLog, limit: float = 3.0) -> bool:
    """Whether the first group's mean is lower by more than `limit` standard errors of the difference."""
    error = sqrt(one.error**2 + other.error**2)
    return error > 0 and (other.mean - one.mean) / error > limit
