"""Figures from the cells and from what is asked straight: one statement a kind, total and cut, with the maturity of each."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import connection
from django.utils.formats import date_format
from django.utils.translation import get_language_info
from django.utils.translation import gettext as _

from oversight.figures import COHORT, PERIOD, Figure, Maturity, figure_of
from oversight.filters import FIFTH_WORDS, HISTORY_WORDS, Asked
from oversight.indicators import Indicator, amount, indicators
from oversight.rollup.few import FEW, NOT_CUT
from oversight.rollup.measures import ANCHORS
from oversight.services.few import few_counted
from oversight.services.levels import LevelShown, levels_of
from oversight.services.rollup import catch_up
from oversight.services.sums import Counts, months_of, sums
from screening.models import Area, Sex
from screening.months import add_months
from staff import clock


@dataclass(frozen=True, slots=True)
class Row:
    """One line: what it is about and its figures by indicator key."""

    key: str
    label: str
    figures: Mapping[str, Figure]


@dataclass(frozen=True, slots=True)
class Counted:
    """Figures of one question in total and cut, with the moment up to which everything is counted."""

    asked: Asked
    cut_at: datetime
    total: Row
    rows: Sequence[Row]
    levels: Mapping[str, Sequence[LevelShown]]


Starts = dict[str, dict[date, list[tuple[int, int]]]]


def starts(asked: Asked, names: Iterable[str]) -> Starts:
    """How many were followed from which day: clock → month → (days after its first, how many)."""
    wanted = sorted(set(names))
    if not wanted:
        return {}
    months = months_of(asked)
    only = " AND area_id = %(area)s" if "area" in asked.only else ""
    found: Starts = {name: {} for name in wanted}
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT clock, month, days, sum(n) FROM oversight_waitcell"
            f" WHERE clock = ANY(%(clocks)s) AND month BETWEEN %(first)s AND %(last)s{only}"
            " GROUP BY 1, 2, 3 HAVING sum(n) > 0",
            {**asked.params(), "clocks": wanted, "first": months[0], "last": months[-1]},
        )
        for name, month, days, n in cursor.fetchall():
            found[name].setdefault(month, []).append((days, int(n)))
    return found


def month_passed(followed: Sequence[tuple[int, int]], month: date, window: int, today: date) -> float:
    """The share of everybody's window that has passed, for those of one month."""
    if not window:
        return 1.0
    people = sum(n for _days, n in followed)
    gone = sum(n * min(max((today - month).days - days, 0), window) for days, n in followed)
    return gone / (people * window) if people else 1.0


class Maturities:
    """The maturity of an indicator's rows: of a cohort by everybody's window, of a period by its days."""

    def __init__(self, asked: Asked, wanted: Sequence[Indicator]) -> None:
        self.asked, self.today = asked, clock.today()
        self.starts = starts(asked, [one.start for one in wanted if one.start])
        self.known: dict[tuple[str, int, date], float] = {}

    def of_month(self, one: Indicator, month: date) -> float:
        """The share that has passed for one month."""
        if one.start:
            key = (one.start, one.window_days or 0, month)
            if key not in self.known:
                followed = self.starts.get(one.start, {}).get(month, ())
                self.known[key] = month_passed(followed, month, one.window_days or 0, self.today)
            return self.known[key]
        last = min(add_months(month, 1) - timedelta(days=1), self.asked.until)
        return self._period(one, max(month, self.asked.since), last)

    def passed(self, one: Indicator, months: Mapping[date, Counts]) -> float:
        """The share that has passed for people of several months, each month weighing by its denominator."""
        if not one.start:
            return self._period(one, self.asked.since, self.asked.until)
        weights = {month: amount(one.bottom, counts) for month, counts in months.items()}
        people = sum(weights.values())
        if not people:
            return 1.0
        shares = {month: self.of_month(one, month) for month, n in weights.items() if n}
        if all(share >= 1 for share in shares.values()):
            return 1.0
        return sum(weights[month] * share for month, share in shares.items()) / people

    def _period(self, one: Indicator, first: date, last: date) -> float:
        """The share of a period's days, and of the days after it in which events still count, that are over."""
        days = (last - first).days + 1 + (one.window_days or 0)
        return min(max((self.today - first).days / days, 0.0), 1.0) if days > 0 else 1.0


def period_maturity(asked: Asked, after: int = 0) -> Maturity:
    """How much of the period is over, and of the days after it in which events still count."""
    days = (asked.until - asked.since).days + 1 + after
    return Maturity(min(max((clock.today() - asked.since).days / days, 0.0), 1.0), PERIOD)


def cohort_maturity(asked: Asked, start: str, window: int) -> Maturity:
    """How much of everybody's window has passed, of all followed from the start named (`STARTS`) in the months asked for.

    The roll-up knows months and areas, so with other filters it is the maturity of everybody in those months.
    """
    found, today = starts(asked, [start])[start], clock.today()
    people = sum(n for followed in found.values() for _days, n in followed)
    gone = sum(
        month_passed(followed, month, window, today) * sum(n for _days, n in followed)
        for month, followed in found.items()
    )
    return Maturity(gone / people if people else 1.0, COHORT)


def figures(asked: Asked, keys: Sequence[str], *, fold: bool = True) -> Counted:
    """The figures of these indicators for one question, in total and cut."""
    cut_at = catch_up() if fold else clock.now()
    wanted = [indicators()[key] for key in keys]
    maturities = Maturities(asked, wanted)
    total: dict[str, Figure] = {}
    rows: dict[str, dict[str, Figure]] = {}
    for anchor in ANCHORS.values():
        mine = [one for one in wanted if one.anchor == anchor.name]
        if mine:
            found = sums(anchor, asked, [name for one in mine for name in one.measures])
            _fill(total, rows, mine, found, maturities)
    for few in FEW.values():
        mine = [one for one in wanted if one.anchor == few.name]
        if mine:
            _fill(total, rows, mine, few_counted(few, asked), maturities)
    ordered = sorted(rows, key=lambda key: order(asked.by, key))
    names = labels(asked.by)
    return Counted(
        asked,
        cut_at,
        Row("", _("All"), total),
        [Row(key, label(asked.by, key, names), _whole_row(rows[key], wanted)) for key in ordered],
        levels_of(wanted),
    )


def _whole_row(found: Mapping[str, Figure], wanted: Sequence[Indicator]) -> Mapping[str, Figure]:
    return {one.key: found.get(one.key) or figure_of(0, 0, basis=one.basis, unit=one.unit) for one in wanted}


def _fill(
    total: dict[str, Figure], rows: dict[str, dict[str, Figure]], wanted: Sequence[Indicator],
    found: Mapping[tuple[str, date], Counts], maturities: Maturities,
) -> None:  # fmt: skip
    by_key: dict[str, dict[date, Counts]] = {}
    by_month: dict[date, Counts] = {}
    for (key, month), counts in found.items():
        by_key.setdefault(key, {})[month] = counts
        _add(by_month.setdefault(month, {}), counts)
    for one in wanted:
        total[one.key] = _figure(one, by_month, maturities)
        for key, months in by_key.items():
            if key == NOT_CUT:
                continue
            rows.setdefault(key, {})[one.key] = _figure(one, months, maturities)


def _add(onto: Counts, counts: Counts) -> None:
    for name, n in counts.items():
        onto[name] = onto.get(name, 0) + n


def _figure(one: Indicator, months: Mapping[date, Counts], maturities: Maturities) -> Figure:
    counts: Counts = dict.fromkeys(one.measures, 0)
    for month in months.values():
        _add(counts, month)
    if len(months) == 1 and maturities.asked.by == "month":
        passed = maturities.of_month(one, next(iter(months)))
    else:
        passed = maturities.passed(one, months)
    return figure_of(
        amount(one.top, counts), amount(one.bottom, counts), basis=one.basis, passed=passed, unit=one.unit
    )


def labels(by: str) -> Mapping[str, str]:
    """Names that stand in tables."""
    if by == "area":
        return {str(pk): name for pk, name in Area.objects.values_list("pk", "name")}
    return {}


def label(by: str, key: str, names: Mapping[str, str]) -> str:
    """The words of a row."""
    if by == "month":
        return date_format(date.fromisoformat(key), "F Y")
    if by == "age":
        return _("not known") if key == "-1" else f"{key}–{int(key) + 4}"
    if by == "area":
        return names.get(key, _("not known"))
    if by == "fifth":
        return str(FIFTH_WORDS[int(key)])
    if by == "history":
        return str(HISTORY_WORDS[int(key)])
    if by == "language":
        return language_words(key)
    return str(Sex(key).label)


UNDETERMINED = "und"
"""BCP 47's code of a language that is not known."""


def language_words(code: str) -> str:
    """A language by its name where there is one for its code (BCP 47), else the code."""
    try:
        return _("not known") if code == UNDETERMINED else str(get_language_info(code)["name_translated"])
    except KeyError:
        return code


def order(by: str, key: str) -> tuple[bool, int, str]:
    """Where a row stands: what is not known comes last."""
    if by == "sex":
        return (False, Sex.values.index(key), "")
    if by == "month":
        return (False, 0, key)
    if by == "language":
        return (key == UNDETERMINED, 0, language_words(key))
    return (key in ("-1", "0") and by != "history", int(key), "")
