"""Puts the figures of a period into the sentences, charts and tables of "How are we doing?"."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from django.utils.formats import date_format, number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from oversight.figures import Figure
from oversight.indicators import BREAKDOWNS, INDICATORS, Indicator
from oversight.services.breaks import Break, breaks_between
from oversight.services.indicators import ActivityCounts, Breakdown, Row, activity_counts, positivity, uptake

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

TOO_FEW = gettext_lazy("too few to judge")
SECTIONS: tuple[tuple[str, str], ...] = (
    ("uptake_90", "uptake_90_adjusted"),
    ("uptake_180", "uptake_180_adjusted"),
    ("positivity", ""),
    ("examined_90", ""),
)
"""The indicators with a chart and a table, each with the one shown beside it."""


def grouped(number: int) -> str:
    """A whole number with its thousands apart."""
    return str(number_format(number, force_grouping=True))


@dataclass(frozen=True, slots=True)
class Sentence:
    """One plain sentence with its figure and its definition."""

    words: str
    figure: Figure
    indicator: Indicator

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
        """The share, unless nobody can judge by it."""
        return TOO_FEW if self.figure.too_few else f"{self.figure.percent} %"

    @property
    def beside_share(self) -> "StrOrPromise":
        """The other variant: share and what it is out of."""
        if self.beside is None or self.beside.too_few:
            return TOO_FEW
        return _("%(share)s %% of %(n)s") % {
            "share": self.beside.percent,
            "n": grouped(self.beside.denominator),
        }


@dataclass(frozen=True, slots=True)
class Section:
    """One indicator cut one way: a chart with its summary, and the table behind it."""

    indicator: Indicator
    by: "StrOrPromise"
    lines: Sequence[Line]
    total: Line
    summary: str
    chart: dict[str, Any] | None

    @property
    def chart_id(self) -> str:
        """The id of the chart on the page."""
        return f"chart-{self.indicator.key.replace('_', '-')}"

    @property
    def chart_title(self) -> str:
        """What the chart draws."""
        return _("Share with its 95 %% interval, by %(by)s") % {"by": self.by}

    @property
    def with_beside(self) -> bool:
        """Whether the table has the column of the other variant."""
        return self.total.beside is not None


@dataclass(frozen=True, slots=True)
class Dashboard:
    """Everything the page shows."""

    since: date
    until: date
    cut_at: datetime
    sentences: Sequence[Sentence]
    counts: ActivityCounts
    activity: "Sequence[tuple[StrOrPromise, str]]"
    sections: Sequence[Section]
    breaks: Sequence[Break]


def dashboard(*, since: date, until: date, by: str) -> Dashboard:
    """Compute the page for a period, cut by month, sex, age or area."""
    invited, released = uptake(since=since, until=until), positivity(since=since, until=until)
    counts = activity_counts(since=since, until=until)
    breaks = breaks_between(since, until) if by == "month" else []
    found = {key: source for source in (invited, released) for key in source.total.figures}
    return Dashboard(
        since=since,
        until=until,
        cut_at=invited.cut_at,
        sentences=_sentences(invited, released),
        counts=counts,
        activity=_activity(counts),
        sections=[_section(found[key], key, beside, by, breaks) for key, beside in SECTIONS],
        breaks=breaks,
    )


def _sentences(invited: Breakdown, released: Breakdown) -> list[Sentence]:
    of_invited = _("Of %(n)s people invited from %(since)s to %(until)s, %(share)s %(what)s.")
    of_results = _(
        "Of %(n)s people with a usable result released from %(since)s to %(until)s, %(share)s %(what)s."
    )
    of_high = _(
        "Of %(n)s people at or above whose result was released from %(since)s to %(until)s, %(share)s %(what)s."
    )
    plan = (
        (invited, "uptake_90", of_invited),
        (invited, "uptake_180", of_invited),
        (invited, "uptake_90_adjusted", of_invited),
        (released, "positivity", of_results),
        (released, "examined_90", of_high),
    )
    return [_sentence(source, key, pattern) for source, key, pattern in plan]


def _sentence(source: Breakdown, key: str, pattern: str) -> Sentence:
    figure, indicator = source.total.figures[key], INDICATORS[key]
    share = (
        _("too few to judge (%(x)s)") % {"x": figure.numerator} if figure.too_few else f"{figure.percent} %"
    )
    words = pattern % {
        "n": grouped(figure.denominator), "since": date_format(source.since, "j F Y"),
        "until": date_format(source.until, "j F Y"), "share": share, "what": indicator.sentence,
    }  # fmt: skip
    return Sentence(words, figure, indicator)


def _activity(counts: ActivityCounts) -> "list[tuple[StrOrPromise, str]]":
    return [
        (_("invited"), grouped(counts.invited)),
        (_("kits came back"), grouped(counts.kits_back)),
        (_("results released"), grouped(counts.results)),
        (_("at or above the cutoff"), grouped(counts.at_or_above)),
        (_("people examined"), grouped(counts.examined)),
        (_("referrals closed"), grouped(counts.referrals_closed)),
    ]


def _section(source: Breakdown, key: str, beside: str, by: str, breaks: Sequence[Break]) -> Section:
    rows = source.rows.get(by, ())
    lines = [_line(row, key, beside, row.label) for row in rows]
    judged = [line for line in lines if not line.figure.too_few]
    return Section(
        indicator=INDICATORS[key],
        by=BREAKDOWNS[by],
        lines=lines,
        total=_line(source.total, key, beside, _("All")),
        summary=_summary(lines, judged),
        chart=_chart(key, rows, lines, by, breaks) if len(judged) > 1 else None,
    )


def _line(row: Row, key: str, beside: str, label: str) -> Line:
    return Line(label, row.figures[key], row.figures[beside] if beside else None)


def _summary(lines: Sequence[Line], judged: Sequence[Line]) -> str:
    if not judged:
        return _("Every group here is too small to judge by.")
    low = min(judged, key=lambda line: line.figure.percent or 0)
    high = max(judged, key=lambda line: line.figure.percent or 0)
    words = [
        _("Lowest: %(low_name)s, %(low)s %%. Highest: %(high_name)s, %(high)s %%.")
        % {
            "low_name": low.label,
            "low": low.figure.percent,
            "high_name": high.label,
            "high": high.figure.percent,
        }
    ]
    if small := len(lines) - len(judged):
        words.append(_("Too few to judge, not drawn: %(n)s.") % {"n": small})
    if any(not line.figure.maturity.complete for line in judged):
        words.append(_("Drawn hollow: still provisional, the figure may change."))
    return " ".join(words)


def _chart(
    key: str, rows: Sequence[Row], lines: Sequence[Line], by: str, breaks: Sequence[Break]
) -> dict[str, Any]:
    figures = [line.figure for line in lines]

    def shown(value: Any, figure: Figure) -> float | None:
        return None if figure.too_few or value is None else float(value)

    names = [date_format(date.fromisoformat(row.key), "M Y") if by == "month" else row.label for row in rows]
    months = {row.key: name for row, name in zip(rows, names, strict=True)} if by == "month" else {}
    return {
        "kind": "interval",
        "unit": "%",
        "min": 0,
        "across": by == "area",
        "categories": names,
        "series": [
            {
                "name": str(INDICATORS[key].name),
                "values": [shown(f.percent, f) for f in figures],
                "low": [shown(f.low_percent, f) for f in figures],
                "high": [shown(f.high_percent, f) for f in figures],
                "unfinished": [not f.maturity.complete for f in figures],
            }
        ],
        "breaks": [
            {"at": months[one.month], "label": str(one.words)} for one in breaks if one.month in months
        ],
    }
