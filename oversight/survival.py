"""Curves for clocks: Kaplan–Meier, and the cumulative incidence where something else may end the wait; pure.

Sources: Kaplan & Meier, J Am Stat Assoc 1958;53:457; Greenwood's variance with log-log limits (Kalbfleisch & Prentice);
Aalen & Johansen, Scand J Stat 1978;5:141 for competing events. Events come before censorings on the same day.
"""

from collections.abc import Iterable, Sequence
from math import exp, log, sqrt
from typing import NamedTuple

from oversight.intervals import z_value

EVENT, OTHER, CENSORED = "event", "other", "censored"


class Waits(NamedTuple):
    """So many people waited `days` until `end` (EVENT, OTHER or CENSORED)."""

    days: int
    end: str
    n: int


class Step(NamedTuple):
    """A day on which somebody's wait ended: at risk, events, other ends; survival with its limits; incidences."""

    days: int
    at_risk: int
    events: int
    others: int
    survival: float
    error: float
    low: float
    high: float
    incidence: float
    other_incidence: float


def curve(waits: Iterable[Waits], level: float = 0.95) -> list[Step]:
    """One step for each day with an event or another end. `survival` is of either end; `incidence` of the event alone."""
    by_day: dict[int, dict[str, int]] = {}
    for one in waits:
        day = by_day.setdefault(one.days, {EVENT: 0, OTHER: 0, CENSORED: 0})
        day[one.end] += one.n
    at_risk = sum(sum(day.values()) for day in by_day.values())
    survival, green, incidence, other = 1.0, 0.0, 0.0, 0.0
    steps, z = [], z_value(level)
    for days in sorted(by_day):
        day = by_day[days]
        gone = day[EVENT] + day[OTHER]
        if gone:
            incidence += survival * day[EVENT] / at_risk
            other += survival * day[OTHER] / at_risk
            survival *= 1 - gone / at_risk
            green += gone / (at_risk * (at_risk - gone)) if at_risk > gone else 0.0
            low, high = _log_log(survival, green, z)
            error = survival * sqrt(green)
            steps.append(
                Step(days, at_risk, day[EVENT], day[OTHER], survival, error, low, high, incidence, other)
            )
        at_risk -= gone + day[CENSORED]
    return steps


def _log_log(survival: float, green: float, z: float) -> tuple[float, float]:
    if not 0 < survival < 1:
        return survival, survival
    width = z * sqrt(green) / -log(survival)
    return survival ** exp(width), survival ** exp(-width)


def incidence_at(steps: Sequence[Step], days: int) -> float:
    """The share to whom the event has happened within so many days, if nobody were lost from sight."""
    found = 0.0
    for step in steps:
        if step.days > days:
            break
        found = step.incidence
    return found


def days_until(steps: Sequence[Step], share: float) -> int | None:
    """The first day by which the event has happened to that share of all; None where it has not."""
    return next((step.days for step in steps if step.incidence >= share - 1e-12), None)
