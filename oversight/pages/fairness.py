"""Equity at every step, and areas compared fairly."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from oversight import funnel
from oversight.figures import COHORT, TOO_FEW_BELOW, figure_of
from oversight.filters import FIFTH_WORDS, Asked
from oversight.intervals import newcombe_difference, standardised
from oversight.pages.parts import TOO_FEW, Block, Shown, grouped, ranged
from oversight.rollup.few import FEW
from oversight.services.cells import grouped_sums
from oversight.services.few import few_counted
from oversight.services.figures import labels
from oversight.services.rollup import catch_up
from oversight.standards import AGES, STANDARDS

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

STEPS: "Sequence[tuple[str, str, str, str]]" = (
    ("sent", "invited", "n", "sent"),
    ("back", "invited", "n", "back_90"),
    ("usable", "invited", "n", "in_90"),
    ("high", "released", "n", "high"),
    ("spoken", "released", "high", "spoken_7"),
    ("examined", "released", "high", "examined_180"),
    ("found", "released", "examined", "advanced"),
    ("treated", "cancers", "treated", "treated_31"),
)
"""Each step: key, anchor, out of, counted."""


def _words() -> "Mapping[str, StrOrPromise]":
    return {
        "sent": _("kit handed to the post"), "back": _("kit back within 90 days"),
        "usable": _("usable result (uptake, 90 days)"), "high": _("at or above the cutoff"),
        "spoken": _("spoken with within 7 days"), "examined": _("examined within 180 days"),
        "found": _("advanced neoplasia found, of those examined"),
        "treated": _("treated from within 31 days, of cancers treated (period, by diagnosis)"),
    }  # fmt: skip


def equity(asked: Asked) -> Shown:
    """Every step by deprivation fifth, people missing, and areas compared with one standard."""
    cut_at = catch_up()
    invited = grouped_sums("invited", asked, ["n", "sent", "back_90", "in_90"], ["fifth"])
    released = grouped_sums(
        "released", asked, ["n", "high", "spoken_7", "examined_180", "examined", "advanced"], ["fifth"]
    )
    found = {"invited": {key[0]: counts for key, counts in invited.items()},
             "released": {key[0]: counts for key, counts in released.items()}, "cancers": _treated(asked)}  # fmt: skip
    return Shown(
        slug="equity",
        title=_("Equity"),
        lead=_("Whether every step reaches people alike; a fair uptake alone hides what happens after it."),
        asked=asked,
        cut_at=cut_at,
        blocks=[_steps(found), _missing(found), *_areas(asked)],
    )


def _treated(asked: Asked) -> Mapping[int, dict[str, int]]:
    """Cancers diagnosed in the period and treated, by fifth; nothing where a filter does not belong to them."""
    sums: dict[int, dict[str, int]] = {}
    for (fifth, _month), counts in few_counted(FEW["cancers"], replace(asked, by="fifth")).items():
        mine = sums.setdefault(int(fifth), {"treated": 0, "treated_31": 0})
        for name in mine:
            mine[name] += counts[name]
    return sums


Found = Mapping[str, Mapping[int, dict[str, int]]]


def _steps(found: Found) -> Block:
    fifths = [n for n in (1, 2, 3, 4, 5, 0) if any(n in side for side in found.values())]
    rows, series = [], []
    for key, anchor, bottom, top in STEPS:
        shares = [
            figure_of(side.get(top, 0), side.get(bottom, 0), basis=COHORT)
            for side in (found[anchor].get(n, {}) for n in fifths)
        ]
        rows.append([_words()[key], *(ranged(one) for one in shares), _slope(found[anchor], bottom, top)])
        if key in ("usable", "examined"):
            series.append({
                "name": str(_words()[key]),
                "values": [None if one.too_few else round(100 * one.numerator / one.denominator, 1) for one in shares],
                "low": [None if one.too_few else one.low_percent for one in shares],
                "high": [None if one.too_few else one.high_percent for one in shares],
            })  # fmt: skip
    drawn = any(value is not None for one in series for value in one["values"])
    return Block(
        key="steps",
        title=_("Every step by deprivation fifth"),
        summary=_(
            "Slope: the difference in points between the most and the least deprived end, from a line through the five"
            " fifths that weighs each by its people (slope index of inequality)."
        ),
        columns=[_("Step"), *(FIFTH_WORDS[n] for n in fifths), _("Slope, points")],
        rows=rows if fifths else [],
        chart={
            "kind": "interval", "unit": "%", "min": 0, "max": 100, "categories": [str(FIFTH_WORDS[n]) for n in fifths],
            "series": series,
        }
        if drawn
        else None,
        basis="cohort",
    )  # fmt: skip


def slope_index(groups: Sequence[tuple[int, int]]) -> float | None:
    """Slope index of inequality of ordered groups (x of n): weighted regression of rates on cumulative ranks 0 to 1.

    Source: Mackenbach & Kunst, Soc Sci Med 1997;44:757.
    """
    rows = [(x, n) for x, n in groups if n]
    whole = sum(n for _x, n in rows)
    if len(rows) < 2 or not whole:
        return None
    ranks, run = [], 0.0
    for _x, n in rows:
        ranks.append((run + n / 2) / whole)
        run += n
    mean_rank = sum(n * rank for (_x, n), rank in zip(rows, ranks, strict=True)) / whole
    mean_rate = sum(x for x, _n in rows) / whole
    top = sum(n * (rank - mean_rank) * (x / n - mean_rate) for (x, n), rank in zip(rows, ranks, strict=True))
    bottom = sum(n * (rank - mean_rank) ** 2 for (_x, n), rank in zip(rows, ranks, strict=True))
    return top / bottom if bottom else None


def _slope(side: Mapping[int, dict[str, int]], bottom: str, top: str) -> "StrOrPromise":
    groups = [(side[n][top], side[n][bottom]) for n in range(1, 6) if n in side]
    if any(n < TOO_FEW_BELOW for _x, n in groups):
        return TOO_FEW
    slope = slope_index(groups)
    return "–" if slope is None else f"{100 * slope:+.1f}"


def _missing(found: Found) -> Block:
    rows: list[list[StrOrPromise]] = []
    for key, anchor, bottom, top in STEPS:
        if key in ("sent", "high", "found", "treated"):
            continue
        best = found[anchor].get(1, {})
        x1, n1 = best.get(top, 0), best.get(bottom, 0)
        for fifth in range(2, 6):
            side = found[anchor].get(fifth, {})
            x, n = side.get(top, 0), side.get(bottom, 0)
            if min(n, n1) < TOO_FEW_BELOW:
                continue
            low, high = newcombe_difference(x1, n1, x, n)
            missing = round(n * x1 / n1 - x)
            rows.append([
                f"{_words()[key]}: {FIFTH_WORDS[fifth]}", grouped(n), grouped(x), grouped(max(missing, 0)),
                f"{100 * (x1 / n1 - x / n):+.1f} ({100 * low:+.1f} – {100 * high:+.1f})",
            ])  # fmt: skip
    return Block(
        key="missing",
        title=_("People missing"),
        summary=_("How many more there would have been had each fifth had the share of the least deprived."),
        columns=[
            _("Step and fifth"),
            _("People"),
            _("Reached"),
            _("Missing"),
            _("Difference, points (95 % interval)"),
        ],
        rows=rows,
        basis="cohort",
        empty=_("Too few people with a known deprivation fifth to judge by."),
    )


def _areas(asked: Asked) -> list[Block]:
    return [
        _area(asked, "invited", "n", "in_90", _("Uptake, 90 days, by area"), "area-uptake"),
        _area(
            asked, "released", "high", "examined_180", _("Examined within 180 days, by area"), "area-examined"
        ),
    ]


def _area(asked: Asked, anchor: str, bottom: str, top: str, title: str, key: str) -> Block:
    """A funnel: areas by size with limits around the programme's share; small ones pooled, nobody ranked."""
    cells = grouped_sums(anchor, asked, [bottom, top], ["area_id", "sex", "age"])
    names = labels("area")
    sizes: dict[int, tuple[int, int]] = {}
    for (area, _sex, _age), counts in cells.items():
        x, n = sizes.get(area, (0, 0))
        sizes[area] = (x + counts[top], n + counts[bottom])
    whole = sum(n for _x, n in sizes.values())
    if not whole:
        return Block(key=key, title=title, summary="", columns=[], rows=[])
    target = sum(x for x, _n in sizes.values()) / whole
    large = {area: size for area, size in sizes.items() if size[1] >= TOO_FEW_BELOW and area}
    small = [size for area, size in sizes.items() if area not in large]
    phi = funnel.over_dispersion(list(large.values()), target)
    ordered = sorted(large, key=lambda area: large[area][1])
    rows = []
    for area in ordered:
        x, n = large[area]
        rows.append([
            names.get(str(area), _("not known")), grouped(x), grouped(n), ranged(figure_of(x, n, basis=COHORT)),
            _standard(cells, area, bottom, top, "own"), _standard(cells, area, bottom, top, "europe_2013"),
            funnel.place_words(x / n, funnel.limits(target, n, phi)) if 0 < target < 1 else "–",
        ])  # fmt: skip
    if small:
        x, n = sum(one[0] for one in small), sum(one[1] for one in small)
        rows.append([_("small areas and not known, together"), grouped(x), grouped(n),
                     ranged(figure_of(x, n, basis=COHORT)), "–", "–", "–"])  # fmt: skip
    return Block(
        key=key,
        title=title,
        summary=_("Programme: %(p)s. Areas stand by size, not by rank; between the lines is what chance alone would do.%(o)s")
        % {"p": f"{100 * target:.1f} %", "o": _(" The lines are widened for over-dispersion (factor %(f).1f).") % {"f": phi} if phi > 1 else ""},
        columns=[_("Area"), _("Counted"), _("Out of"), _("Share (95 % interval)"), _("Standardised, own people"),
                 _("Standardised, Europe 2013"), _("Against the programme")],
        rows=rows,
        chart=funnel.chart(
            [f"{names.get(str(area), '?')} ({grouped(large[area][1])})" for area in ordered],
            [(large[area][0] / large[area][1], large[area][1]) for area in ordered], target, phi, unit_words=_("area"),
        )
        if len(ordered) > 2 and 0 < target < 1
        else None,
        basis="cohort",
    )  # fmt: skip


def _standard(
    cells: Mapping[tuple[Any, ...], dict[str, int]], area: int, bottom: str, top: str, which: str
) -> "StrOrPromise":
    groups = [(sex, age) for sex in ("female", "male") for age in AGES]
    mine = [cells.get((area, sex, age), {}) for sex, age in groups]
    if which == "own":
        weights = [
            float(sum(counts[bottom] for (_a, s, g), counts in cells.items() if (s, g) == group))
            for group in groups
        ]
    else:
        weights = [*STANDARDS[which][1], *STANDARDS[which][1]]
    found = standardised([one.get(top, 0) for one in mine], [one.get(bottom, 0) for one in mine], weights)
    if found is None:
        return "–"
    return f"{100 * found.rate:.1f} % ({100 * found.low:.1f}–{100 * min(found.high, 1):.1f})"
