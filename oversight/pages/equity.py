"""Equity: every step for each group, how unequal the steps are across the fifths, and how many people are missing."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from oversight.figures import Figure
from oversight.filters import Asked
from oversight.indicators import EQUITY_CUTS, Indicator, indicators
from oversight.inequality import Index, concentration_index, slope_index
from oversight.intervals import newcombe_difference
from oversight.pages.fairness import areas
from oversight.pages.parts import POOLED, TOO_FEW, Block, Shown, badge, grouped, pooled
from oversight.rollup.few import Few
from oversight.services.figures import Counted, Row, figures

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

STEPS = (
    "kit_sent", "returned_90", "uptake_90", "positivity", "spoken_7", "examined_180", "ppv_advanced_neoplasia", "treated_31",
)  # fmt: skip
"""Every step, as an indicator. Source: section 7.6 of the job."""
REACHES = ("returned_90", "uptake_90", "spoken_7", "examined_180")
"""The steps at which somebody can be missing: more is better there, and the programme can reach them."""
DRAWN = ("uptake_90", "examined_180")
NOT_KNOWN = (POOLED, "und", "0", "-1", "unknown", "other")
"""Keys of groups that nobody is compared with, since they are mixed or not known; a screening history of 0 is known."""


def equity(asked: Asked) -> Shown:
    """Every step by fifth, or by sex, age, history or language if asked; indices, people missing, and areas."""
    by = asked.by if asked.by in EQUITY_CUTS else "fifth"
    counted = figures(replace(asked, by=by), STEPS)
    told = [key for key in STEPS if _told_apart(indicators()[key], asked, by)]
    groups = [row for row in counted.rows if any(row.figures[key].denominator for key in told)]
    if by == "language":
        groups = pooled(groups, STEPS, "uptake_90")
    blocks = [_steps(counted, groups, told, by)]
    if by == "fifth":
        blocks.append(_unequal(counted, groups, told))
    return Shown(
        slug="equity",
        title=_("Equity"),
        lead=_("Whether every step reaches people alike; a fair uptake alone hides what happens after it."),
        asked=asked if asked.by != "language" else replace(asked, by="month"),
        cut_at=counted.cut_at,
        blocks=[*blocks, _missing(groups, by), *areas(asked)],
    )


def _told_apart(one: Indicator, asked: Asked, by: str) -> bool:
    """Whether the indicator knows the groups and every filter."""
    return not one.deaf_to(asked.only) and (not isinstance(one.source, Few) or by in one.source.cuts)


def _known(key: str, by: str) -> bool:
    return by == "history" or key not in NOT_KNOWN


def _steps(counted: Counted, groups: Sequence[Row], told: Sequence[str], by: str) -> Block:
    rows = [
        [indicators()[key].name, *(_cell(row.figures[key]) for row in groups), badge(counted.total.figures[key]),
         counted.total.figures[key].maturity.short]
        for key in told
    ]  # fmt: skip
    deaf = [str(indicators()[key].name) for key in STEPS if key not in told]
    return Block(
        key="steps",
        title=_("Every step by %(by)s") % {"by": EQUITY_CUTS[by]},
        summary=_steps_words(groups, by),
        columns=[_("Step"), *(row.label for row in groups), _("Basis"), _("Maturity")],
        rows=rows if groups else [],
        chart=_chart(groups),
        note=_("Left out, since it cannot be told apart so: %(names)s.") % {"names": ", ".join(deaf)}
        if deaf
        else "",
        defined=told,
        wrapped=True,
    )


def _steps_words(groups: Sequence[Row], by: str) -> str:
    """What the chart shows, in words with its numbers."""
    words = [
        _(
            "Each share with its 95 % interval, counted and out of. Drawn: uptake, and examined within 180 days."
        )
    ]
    judged = [row for row in groups if not row.figures["uptake_90"].too_few]
    if judged:
        parts = "; ".join(f"{row.label}: {row.figures['uptake_90'].words}" for row in judged)
        words.append(_("Uptake by %(by)s: %(parts)s.") % {"by": EQUITY_CUTS[by], "parts": parts})
    return " ".join(words)


def _cell(figure: Figure) -> "StrOrPromise":
    """Share, interval and counts, each on a line of its own."""
    counts = f"{grouped(figure.numerator)}/{grouped(figure.denominator)}"
    if figure.too_few:
        return f"{TOO_FEW}\n{counts}"
    return f"{figure.words}\n({figure.interval_words})\n{counts}"


def _chart(groups: Sequence[Row]) -> dict[str, Any] | None:
    def shown(figure: Figure, value: object) -> object:
        return None if figure.too_few else value

    series: list[dict[str, Any]] = []
    for key in DRAWN:
        found = [row.figures[key] for row in groups]
        series.append({
            "name": str(indicators()[key].name),
            "values": [shown(one, float(one.percent or 0)) for one in found],
            "low": [shown(one, one.low_percent) for one in found],
            "high": [shown(one, one.high_percent) for one in found],
            "unfinished": [not one.maturity.complete for one in found],
        })  # fmt: skip
    if not any(value is not None for one in series for value in one["values"]):
        return None
    return {
        "kind": "interval", "unit": "%", "min": 0, "max": 100, "categories": [row.label for row in groups], "series": series,
    }  # fmt: skip


def _unequal(counted: Counted, groups: Sequence[Row], told: Sequence[str]) -> Block:
    rows: list[list[StrOrPromise]] = []
    fifths = [row for row in groups if _known(row.key, "fifth")]
    for key in told:
        figures_ = [row.figures[key] for row in fifths]
        counts = [(one.numerator, one.denominator) for one in figures_ if one.denominator]
        few = len(counts) < 2 or any(one.too_few for one in figures_ if one.denominator)
        rows.append([
            indicators()[key].name, grouped(sum(x for x, _n in counts)), grouped(sum(n for _x, n in counts)),
            TOO_FEW if few else _points(slope_index(counts)), TOO_FEW if few else _relative(concentration_index(counts)),
            badge(counted.total.figures[key]), counted.total.figures[key].maturity.short,
        ])  # fmt: skip
    return Block(
        key="unequal",
        title=_("How unequal each step is across the deprivation fifths"),
        summary=_(
            "People whose fifth is known. Slope index: by how many points the share changes from the least to the most deprived end,"
            " from a line through the five fifths that weighs each by its people; below nought the most deprived have less."
            " Concentration index: the same as a relative measure from −1 to 1, nought where all are alike, below nought where the"
            " least deprived have more. An interval that contains nought may be chance."
        ),
        columns=[
            _("Step"), _("Counted"), _("Out of"), _("Slope index, points (95 % interval)"), _("Concentration index (95 % interval)"),
            _("Basis"), _("Maturity"),
        ],
        rows=rows if fifths else [],
        defined=told,
        empty=_("Nobody counted here has a known deprivation fifth."),
    )  # fmt: skip


def _points(found: Index | None) -> "StrOrPromise":
    if found is None:
        return "–"
    return _spread(*(100 * value for value in found), decimals=1)


def _relative(found: Index | None) -> "StrOrPromise":
    return "–" if found is None else _spread(*found, decimals=3)


def _spread(value: float, low: float, high: float, *, decimals: int) -> str:
    """A signed number with its interval; what rounds to nought has no sign."""
    said = [f"{0 if not round(one, decimals) else one:+.{decimals}f}" for one in (value, low, high)]
    value_, low_, high_ = (one.replace("+0." + "0" * decimals, "0." + "0" * decimals) for one in said)
    return f"{value_} ({low_} – {high_})"


def reference(groups: Sequence[Row], key: str, by: str) -> Row | None:
    """Whom others are compared with: the least deprived fifth, else the group with the largest share; None of too few.

    The best-placed group stands for what can be reached where groups have no order. Source: WHO, Handbook on health
    inequality monitoring, 2013, population attributable risk (from memory).
    """
    judged = [row for row in groups if _known(row.key, by) and not row.figures[key].too_few]
    if by == "fifth":
        judged = [row for row in judged if row.key == "1"]
    return max(
        judged, key=lambda row: row.figures[key].numerator / row.figures[key].denominator, default=None
    )


def _missing(groups: Sequence[Row], by: str) -> Block:
    rows: list[list[StrOrPromise]] = []
    for key in REACHES:
        rows += _missing_at(groups, key, by)
    like = _("the least deprived fifth") if by == "fifth" else _("the group that was reached best")
    note = "" if by == "fifth" else _("The best share is partly chance where groups are small.")
    return Block(
        key="missing",
        title=_("People missing, by %(by)s") % {"by": EQUITY_CUTS[by]},
        summary=_("How many more there would have been had each group been reached as well as %(like)s. %(note)s")
        % {"like": like, "note": note},
        columns=[
            _("Step and group"), _("Reached"), _("Out of"), _("Missing"), _("Compared with"), _("Difference, points (95 % interval)"),
            _("Basis"), _("Maturity"),
        ],
        rows=rows,
        empty=_("Too few people in groups that are known to judge by."),
    )  # fmt: skip


def _missing_at(groups: Sequence[Row], key: str, by: str) -> "list[list[StrOrPromise]]":
    """One row a group that can be judged, besides the one the others are compared with, and their sum."""
    best = reference(groups, key, by)
    if best is None:
        return []
    x1, n1 = best.figures[key].numerator, best.figures[key].denominator
    rows: list[list[StrOrPromise]] = []
    whole = [0, 0, 0]
    for row in groups:
        one = row.figures[key]
        if row is best or one.too_few or not _known(row.key, by):
            continue
        x, n = one.numerator, one.denominator
        low, high = newcombe_difference(x1, n1, x, n)
        missing = max(round(n * x1 / n1 - x), 0)
        whole = [have + more for have, more in zip(whole, (x, n, missing), strict=True)]
        rows.append([
            f"{indicators()[key].name}: {row.label}", grouped(x), grouped(n), grouped(missing), best.label,
            _spread(100 * (x1 / n1 - x / n), 100 * low, 100 * high, decimals=1), badge(one), one.maturity.short,
        ])  # fmt: skip
    if len(rows) > 1:
        least = min((row.figures[key].maturity for row in groups), key=lambda one: one.passed)
        rows.append([
            _("%(step)s: these together") % {"step": indicators()[key].name}, *map(grouped, whole), best.label, "–",
            badge(best.figures[key]), least.short,
        ])  # fmt: skip
    return rows
