"""The cancers of some days as measures, cut as asked: by the day of diagnosis, and by the result they followed."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from oversight.filters import Asked
from oversight.rollup.few import FEW
from oversight.rollup.measures import ANCHORS
from oversight.services.cancers import (
    TREATED_WITHIN,
    YEAR,
    belongs,
    below_by_month,
    found_at_examinations,
    keys_of,
    years_after,
)
from oversight.services.sums import Counts, months_of, sums
from results.cancers import STAGES, CancerClass
from results.services.cancers import Diagnosed, cancers_diagnosed
from screening.months import add_months
from screening.services.policies import policy_on
from staff import clock

STAGED = {
    CancerClass.SCREEN_DETECTED: "found",
    CancerClass.AFTER_BELOW: "missed",
    CancerClass.NEVER_TESTED: "untested",
}
"""Classes whose stage is an indicator, and how its measures begin."""
Sums = Mapping[tuple[str, date], Counts]


class _Adding:
    """Counts by the key of the cut asked for, and month."""

    def __init__(self, kind: str, by: str) -> None:
        self.names, self.by = list(FEW[kind].measures), by
        self.counts: defaultdict[tuple[str, date], Counts] = defaultdict(lambda: dict.fromkeys(self.names, 0))

    def add(self, keys: Mapping[str, str], day: date, *names: str) -> None:
        """One person more in each of these measures."""
        month = day.replace(day=1)
        for name in names:
            self.counts[str(month) if self.by == "month" else keys[self.by], month][name] += 1


def cancer_sums(asked: Asked) -> Sums:
    """Cancers diagnosed in the days asked for, and the person-years they arose in."""
    adding = _Adding("cancers", asked.by)
    found = found_at_examinations(asked)
    for one in found.values():
        adding.add(one.keys, one.on, "screened", "found")
    for report in cancers_diagnosed(asked.since, asked.until):
        if belongs(report, asked):
            _add_report(adding, report, known=report.report.person_id in found)
    _add_years(adding, asked)
    return adding.counts


def _add_report(adding: _Adding, one: Diagnosed, *, known: bool) -> None:
    """A reported cancer; `known`: it was counted already as one found at an examination."""
    keys, day, report = keys_of(one), one.report.diagnosed_on, one.report
    if one.kind is CancerClass.SCREEN_DETECTED and not known:
        adding.add(keys, day, "screened", "found")
    if one.kind is CancerClass.AFTER_BELOW:
        adding.add(keys, day, "screened", "missed")
    if (whom := STAGED.get(one.kind)) and report.stage in STAGES:
        adding.add(keys, day, f"{whom}_staged")
        if report.stage in STAGES[:2]:
            adding.add(keys, day, f"{whom}_early")
    if one.kind in (CancerClass.SCREEN_DETECTED, CancerClass.AFTER_BELOW) and report.treatment_on:
        adding.add(keys, day, "treated")
        if (report.treatment_on - day).days <= TREATED_WITHIN:
            adding.add(keys, day, "treated_31")


def _add_years(adding: _Adding, asked: Asked) -> None:
    """Whole person-years, rounded so that the parts of any cut add up to the same total; cut by month, those of each month."""
    interval = policy_on(clock.today()).interval_months
    time: defaultdict[tuple[str, date], float] = defaultdict(float)
    whole = [(asked.since.replace(day=1), asked.since, asked.until)]
    for key, month, n in below_by_month(asked):
        for at, since, until in _months(asked) if asked.by == "month" else whole:
            days = sum(years_after(month, interval, since, until))
            time[str(at) if asked.by == "month" else key, at] += n * days / YEAR
    carried = 0.0
    for where, years in sorted(time.items()):
        carried += years
        if rounded := int(carried + 0.5):
            adding.counts[where]["person_years"] += rounded
            carried -= rounded


def _months(asked: Asked) -> Sequence[tuple[date, date, date]]:
    """Each month of the period: its first day, and the first and last of its days that are asked for."""
    return [
        (month, max(month, asked.since), min(add_months(month, 1) - timedelta(days=1), asked.until))
        for month in months_of(asked)
    ]


def followed_sums(asked: Asked) -> Sums:
    """Cancers by the month of the result they followed: found after it, or missed by it."""
    adding = _Adding("followed", asked.by)
    for (key, month), counts in sums(ANCHORS["released"], asked, ["f_cancer"]).items():
        if counts["f_cancer"]:
            adding.counts[key, month]["whole"] += counts["f_cancer"]
            adding.counts[key, month]["found"] += counts["f_cancer"]
    for one in cancers_diagnosed(asked.since, clock.today()):
        tested = one.tested_on
        if (
            one.kind is CancerClass.AFTER_BELOW
            and tested is not None
            and asked.since <= tested <= asked.until
            and belongs(one, asked)
        ):
            adding.add(keys_of(one), tested, "whole", "missed")
    return adding.counts
