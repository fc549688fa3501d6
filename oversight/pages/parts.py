"""The parts pages are made of: sentences, sections of one indicator cut one way, and blocks of a chart and a table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from django.utils.formats import date_format, number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from oversight.figures import MEAN, PERCENT, Figure
from oversight.filters import FILTER_WORDS, Asked
from oversight.indicators import BREAKDOWNS, Indicator, indicators
from oversight.services.activity import ActivityCounts
from oversight.services.breaks import Break
from oversight.services.figures import Counted, Row
from oversight.services.levels import LevelShown

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

PATTERNS: "Mapping[tuple[str, str], StrOrPromise]" = {
    ("invited", ""): gettext_lazy("Of %(n)s people invited from %(since)s to %(until)s, %(share)s %(what)s."),
    ("arrived", ""): gettext_lazy("Of %(n)s people whose kit came back from %(since)s to %(until)s, %(share)s %(what)s."),
    ("arrived", "kits"): gettext_lazy("Of %(n)s kits of people whose first came back from %(since)s to %(until)s, %(share)s %(what)s."),
    ("arrived", "replaced"): gettext_lazy(
        "Of %(n)s people with a rejected kit, whose first came back from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", ""): gettext_lazy(
        "Of %(n)s colonoscopies of people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "with_scope"): gettext_lazy("Of %(n)s people first examined from %(since)s to %(until)s, %(share)s %(what)s."),
    ("examined", "removed"): gettext_lazy(
        "Of %(n)s lesions removed from people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "removals"): gettext_lazy(
        "Of %(n)s colonoscopies with a removal, of people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "pots"): gettext_lazy(
        "Of %(n)s lesions sent to pathology from people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "told"): gettext_lazy(
        "Of %(n)s lesions with histology, from people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", ""): gettext_lazy(
        "Of %(n)s people with a usable result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", "high"): gettext_lazy(
        "Of %(n)s people at or above whose result was released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", "examined"): gettext_lazy(
        "Of %(n)s people examined after a result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", "then_examined"): gettext_lazy(
        "Of %(n)s people assessed and examined after a result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("people", ""): gettext_lazy("Of %(n)s people there were to be reached by %(until)s, %(share)s %(what)s."),
    ("fell_due", ""): gettext_lazy(
        "Of %(n)s people invited before, whose next round fell due from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("planned", ""): gettext_lazy(
        "Of %(n)s surveillance examinations planned for a day from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", ""): gettext_lazy("Of %(n)s cancers diagnosed from %(since)s to %(until)s, %(share)s %(what)s."),
    ("cancers", "person_years"): gettext_lazy(
        "In %(n)s person-years after a result below the cutoff, from %(since)s to %(until)s, %(what)s: %(share)s."
    ),
    ("cancers", "found_staged"): gettext_lazy(
        "Of %(n)s cancers found by the programme whose stage is known, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", "missed_staged"): gettext_lazy(
        "Of %(n)s interval cancers whose stage is known, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", "untested_staged"): gettext_lazy(
        "Of %(n)s cancers in people never tested whose stage is known, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", "treated"): gettext_lazy(
        "Of %(n)s cancers whose treatment has begun, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("followed", ""): gettext_lazy(
        "Of %(n)s cancers in people with a result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
}  # fmt: skip
"""How a sentence begins: kind of cell, and denominator (or "" for every other one)."""
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

    @property
    def lines(self) -> "Sequence[tuple[Sequence[StrOrPromise], str, str]]":
        """Each row with the list its name leads to, or the indicator whose definition it leads to, if any."""
        links = list(self.links) + [""] * (len(self.rows) - len(self.links))
        defined = list(self.defined) + [""] * (len(self.rows) - len(self.defined))
        return list(zip(self.rows, links, defined, strict=True))


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


def pattern_of(indicator: Indicator) -> str:
    """How a sentence about this denominator begins."""
    if indicator.unit == MEAN:
        return _("%(what)s, over %(n)s from %(since)s to %(until)s: %(share)s.")
    return str(PATTERNS.get((indicator.anchor, indicator.bottom)) or PATTERNS[indicator.anchor, ""])


def section_of(counted: Counted, key: str, beside: str = "", breaks: Sequence[Break] = ()) -> Section:
    """One indicator cut as asked."""
    indicator = indicators()[key]
    lines = [_line(row, key, beside, row.label) for row in counted.rows if _has(row, key)]
    judged = [line for line in lines if not line.figure.too_few and line.figure.value is not None]
    rows = [row for row in counted.rows if _has(row, key)]
    return Section(
        indicator=indicator,
        by=BREAKDOWNS[counted.asked.by],
        lines=lines,
        total=_line(counted.total, key, beside, _("All")),
        summary=_summary(lines, judged),
        chart=_chart(indicator, rows, counted.asked.by, breaks) if len(judged) > 1 else None,
        levels=counted.levels[key],
        beside_name=indicators()[beside].name if beside else "",
    )


def _has(row: Row, key: str) -> bool:
    return bool(row.figures[key].denominator)


def _line(row: Row, key: str, beside: str, label: str) -> Line:
    return Line(row.key, label, row.figures[key], row.figures[beside] if beside else None)


def _summary(lines: Sequence[Line], judged: Sequence[Line]) -> str:
    if not judged:
        return _("Every group here is too small to judge by.")
    low = min(judged, key=lambda line: line.figure.value or 0)
    high = max(judged, key=lambda line: line.figure.value or 0)
    words = [
        _("Lowest: %(low_name)s, %(low)s. Highest: %(high_name)s, %(high)s.")
        % {
            "low_name": low.label,
            "low": low.figure.words,
            "high_name": high.label,
            "high": high.figure.words,
        }
    ]
    if small := len(lines) - len(judged):
        words.append(_("Too few to judge, not drawn: %(n)s.") % {"n": small})
    if any(not line.figure.maturity.complete for line in judged):
        words.append(_("Drawn hollow: still provisional, the figure may change."))
    return " ".join(words)


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
