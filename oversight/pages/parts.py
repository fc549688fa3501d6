"""The parts pages are made of: sentences, sections of one indicator cut one way, and blocks of a chart and a table."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from django.utils.formats import date_format, number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from oversight.figures import COHORT, PER_THOUSAND, PERCENT, Figure, Maturity, figure_of
from oversight.filters import FILTER_WORDS, Asked
from oversight.indicators import BREAKDOWNS, Indicator, indicators
from oversight.pages.patterns import pattern_of
from oversight.services.activity import ActivityCounts
from oversight.services.breaks import Break
from oversight.services.figures import Counted, Row
from oversight.services.levels import LevelShown

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

POOLED = "small"
"""The key of the row of small places put together; it has no list of its own."""
TOO_FEW = gettext_lazy("too few to judge")
NOBODY = gettext_lazy(
    "Nobody is counted here in this period. Choose an earlier first day or a later last day."
)


def grouped(number: int) -> str:
    """A whole number with its thousands apart."""
    return str(number_format(number, force_grouping=True))


@dataclass(frozen=True, slots=True)
class Sentence:
    """One plain sentence with its figure and its definition."""

    words: str
    figure: Figure
    indicator: Indicator
    levels: "Sequence[LevelShown]" = ()

    @property
    def counts(self) -> str:
        """The counts behind it, with the interval."""
        return _("%(x)s of %(n)s; 95 %% interval %(range)s") % {
            "x": grouped(self.figure.numerator), "n": grouped(self.figure.denominator),
            "range": self.figure.interval_words,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One row of a table, ready to print; `beside` is the other variant's figure, if there is one."""

    key: str
    label: str
    figure: Figure
    beside: Figure | None

    @property
    def has_row(self) -> bool:
        """Whether the row is one thing, whose people can be listed by its key."""
        return self.key != POOLED

    @property
    def counted(self) -> str:
        """The numerator with its thousands apart."""
        return grouped(self.figure.numerator)

    @property
    def out_of(self) -> str:
        """The denominator with its thousands apart."""
        return grouped(self.figure.denominator)

    @property
    def share(self) -> "StrOrPromise":
        """The figure, unless nobody can judge by it."""
        return TOO_FEW if self.figure.too_few else self.figure.words

    @property
    def beside_share(self) -> "StrOrPromise":
        """The other variant: figure and what it is out of."""
        if self.beside is None or self.beside.too_few:
            return TOO_FEW
        return _("%(share)s of %(n)s") % {"share": self.beside.words, "n": grouped(self.beside.denominator)}


@dataclass(frozen=True, slots=True)
class Section:
    """One indicator cut one way: a chart with its summary, and the table behind it."""

    indicator: Indicator
    by: "StrOrPromise"
    lines: Sequence[Line]
    total: Line
    summary: str
    chart: dict[str, Any] | None
    levels: "Sequence[LevelShown]" = ()
    beside_name: "StrOrPromise" = ""

    @property
    def chart_id(self) -> str:
        """The id of the chart on the page."""
        return f"chart-{self.indicator.key.replace('_', '-')}"

    @property
    def chart_title(self) -> str:
        """What the chart draws."""
        return _("With its 95 %% interval, by %(by)s") % {"by": self.by}

    @property
    def with_beside(self) -> bool:
        """Whether the table has the column of the other variant."""
        return self.total.beside is not None

    @property
    def is_share(self) -> bool:
        """Whether the figure is a share in per cent."""
        return self.indicator.unit == PERCENT


@dataclass(frozen=True, slots=True)
class Block:
    """A titled table with an optional chart before it and a note after it; cells are ready to print."""

    key: str
    title: "StrOrPromise"
    summary: "StrOrPromise"
    columns: "Sequence[StrOrPromise]"
    rows: "Sequence[Sequence[StrOrPromise]]"
    chart: dict[str, Any] | None = None
    note: "StrOrPromise" = ""
    basis: str = ""
    foot: "Sequence[StrOrPromise]" = ()
    empty: "StrOrPromise" = NOBODY
    tall: bool = False
    links: "Sequence[str]" = ()
    defined: "Sequence[str]" = ()
    listed: "Sequence[str]" = ()
    maturity: Maturity | None = None
    refusal: bool = False
    wrapped: bool = False
    """Whether cells stand on several lines, so that many columns fit."""
    in_words: bool = False
    """Whether cells are words, not numbers."""

    @property
    def lines(self) -> "Sequence[tuple[Sequence[StrOrPromise], str, str, str]]":
        """Each row with where its name leads (a list, or an indicator's definition) and the list its first count leads to."""
        n = len(self.rows)
        sides = [[*side, *[""] * (n - len(side))] for side in (self.links, self.defined, self.listed)]
        return list(zip(self.rows, *sides, strict=True))


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything one page shows."""

    slug: str
    title: "StrOrPromise"
    lead: "StrOrPromise"
    asked: Asked
    cut_at: datetime
    sentences: Sequence[Sentence] = ()
    sections: Sequence[Section] = ()
    blocks: Sequence[Block] = ()
    breaks: Sequence[Break] = ()
    counts: ActivityCounts | None = None
    activity: "Sequence[tuple[StrOrPromise, str]]" = field(default_factory=tuple)

    @property
    def since(self) -> date:
        """The first day asked for."""
        return self.asked.since

    @property
    def until(self) -> date:
        """The last day asked for."""
        return self.asked.until


def sentence_of(counted: Counted, key: str) -> Sentence:
    """The sentence of an indicator's total; one that a filter does not belong to says so."""
    figure, indicator = counted.total.figures[key], indicators()[key]
    if deaf := indicator.deaf_to(counted.asked.only):
        words = _("%(name)s cannot be told apart by %(filters)s. Take that filter away to see it.") % {
            "name": indicator.name, "filters": ", ".join(str(FILTER_WORDS[name]) for name in deaf),
        }  # fmt: skip
        return Sentence(words, figure, indicator, counted.levels[key])
    if not figure.denominator:
        words = _("%(name)s: there is nothing to count it from, from %(since)s to %(until)s.") % {
            "name": indicator.name, "since": date_format(counted.asked.since, "j F Y"),
            "until": date_format(counted.asked.until, "j F Y"),
        }  # fmt: skip
        return Sentence(words, figure, indicator, counted.levels[key])
    share = _("too few to judge (%(x)s)") % {"x": figure.numerator} if figure.too_few else figure.words
    words = pattern_of(indicator) % {
        "n": grouped(figure.denominator), "since": date_format(counted.asked.since, "j F Y"),
        "until": date_format(counted.asked.until, "j F Y"), "share": share, "what": indicator.sentence,
    }  # fmt: skip
    return Sentence(words, figure, indicator, counted.levels[key])


def section_of(counted: Counted, key: str, beside: str = "", breaks: Sequence[Break] = ()) -> Section:
    """One indicator cut as asked."""
    indicator, by = indicators()[key], counted.asked.by
    rows = [row for row in counted.rows if _has(row, key)]
    if by == "area":
        rows = pooled(rows, [one for one in (key, beside) if one], key)
    lines = [_line(row, key, beside, row.label) for row in rows]
    judged = [line for line in lines if not line.figure.too_few and line.figure.value is not None]
    mine = [one for one in breaks if indicator.group in one.groups]
    total = _line(counted.total, key, beside, _("All"))
    return Section(
        indicator=indicator,
        by=BREAKDOWNS[by],
        lines=lines,
        total=total,
        summary=_summary(lines, judged, total, by, mine),
        chart=_chart(indicator, rows, by, mine) if len(judged) > 1 else None,
        levels=counted.levels[key],
        beside_name=indicators()[beside].name if beside else "",
    )


def pooled(rows: Sequence[Row], keys: Sequence[str], key: str) -> list[Row]:
    """The rows with those too small to judge by `key` put together in one last row, so that no small place stands alone."""
    small = [row for row in rows if row.figures[key].too_few]
    if len(small) < 2:
        return list(rows)
    figures = {}
    for name in keys:
        parts = [row.figures[name] for row in small]
        least = min(one.maturity.passed for one in parts)
        x, n = sum(one.numerator for one in parts), sum(one.denominator for one in parts)
        figures[name] = figure_of(x, n, basis=parts[0].basis, passed=least, unit=parts[0].unit)
    together = _("%(n)s small ones together") % {"n": len(small)}
    return [*(row for row in rows if not row.figures[key].too_few), Row(POOLED, together, figures)]


def _has(row: Row, key: str) -> bool:
    return bool(row.figures[key].denominator)


def _line(row: Row, key: str, beside: str, label: str) -> Line:
    return Line(row.key, label, row.figures[key], row.figures[beside] if beside else None)


def _summary(
    lines: Sequence[Line], judged: Sequence[Line], total: Line, by: str, breaks: Sequence[Break]
) -> str:
    if not judged:
        return _("Every group here is too small to judge by.")
    words = [_places_words(judged, total) if by == "area" else _ends_words(judged)]
    if small := len(lines) - len(judged):
        words.append(_("Too few to judge, not drawn: %(n)s.") % {"n": small})
    if any(not line.figure.maturity.complete for line in judged):
        words.append(_("Drawn hollow: still provisional, the figure may change."))
    if breaks:
        named = "; ".join(f"{date_format(one.day, 'j F Y')}, {one.words}" for one in breaks)
        words.append(_("Not comparable across what changed: %(named)s.") % {"named": named})
    return " ".join(words)


def _places_words(judged: Sequence[Line], total: Line) -> str:
    """Places are told as a range around the programme, never as a first and a last."""
    values = [line.figure.value or 0 for line in judged]
    unit = judged[0].figure.unit if judged[0].figure.unit in (PERCENT, PER_THOUSAND) else ""
    return _(
        "All together %(all)s; areas lie between %(low)s and %(high)s. They stand in no order of merit: the page of"
        " equity shows which differ by more than chance."
    ) % {
        "all": total.figure.words,
        "low": f"{min(values)} {unit}".strip(),
        "high": f"{max(values)} {unit}".strip(),
    }


def _ends_words(judged: Sequence[Line]) -> str:
    low = min(judged, key=lambda line: line.figure.value or 0)
    high = max(judged, key=lambda line: line.figure.value or 0)
    return _("Lowest: %(low_name)s, %(low)s. Highest: %(high_name)s, %(high)s.") % {
        "low_name": low.label, "low": low.figure.words, "high_name": high.label, "high": high.figure.words,
    }  # fmt: skip


def _chart(indicator: Indicator, rows: Sequence[Row], by: str, breaks: Sequence[Break]) -> dict[str, Any]:
    figures = [row.figures[indicator.key] for row in rows]

    def shown(value: Any, figure: Figure) -> float | None:
        return None if figure.too_few or value is None else round(float(value), 2)

    names = [date_format(date.fromisoformat(row.key), "M Y") if by == "month" else row.label for row in rows]
    months = {row.key: name for row, name in zip(rows, names, strict=True)} if by == "month" else {}
    return {
        "kind": "interval",
        "unit": "%" if indicator.unit == PERCENT else "",
        "min": 0,
        "across": by in ("area", "history"),
        "categories": names,
        "series": [
            {
                "name": str(indicator.name),
                "values": [shown(f.value, f) for f in figures],
                "low": [shown(f.limits[0] if f.limits else None, f) for f in figures],
                "high": [shown(f.limits[1] if f.limits else None, f) for f in figures],
                "unfinished": [not f.maturity.complete for f in figures],
            }
        ],
        "breaks": [
            {"at": months[one.month], "label": str(one.words)} for one in breaks if one.month in months
        ],
    }


def ranged(figure: Figure) -> "StrOrPromise":
    """A figure with its interval for a table cell, or that it cannot be judged."""
    if figure.too_few:
        return TOO_FEW
    return f"{figure.words} ({figure.interval_words})" if figure.limits else figure.words


def badge(figure: Figure) -> str:
    """The letter of a figure's basis for a table cell: C a cohort, P a period."""
    return "C" if figure.basis == COHORT else "P"


def refused(key: str, title: "StrOrPromise", asked: Asked, applies: Collection[str]) -> Block | None:
    """An empty block that names the filters that do not belong to it; None when every one does.

    Asked by such a filter a block counts nobody and says so, so that no number is read as of others than asked for.
    """
    deaf = [str(words) for name, words in FILTER_WORDS.items() if name in asked.only and name not in applies]
    if not deaf:
        return None
    return Block(key=key, title=title, summary="", columns=[], rows=[], empty=told_apart(deaf), refusal=True)


def told_apart(deaf: Sequence[str]) -> str:
    """That something cannot be shown by these filters."""
    return _("This cannot be told apart by %(filters)s. It is shown when that is not filtered.") % {
        "filters": ", ".join(deaf)
    }
