"""Areas compared fairly: by size against the programme's share, standardised, small ones together, nobody ranked."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from oversight import funnel
from oversight.figures import COHORT, TOO_FEW_BELOW, figure_of
from oversight.filters import Asked
from oversight.intervals import standardised
from oversight.pages.parts import Block, grouped, ranged
from oversight.services.cells import grouped_sums
from oversight.services.figures import cohort_maturity, labels
from oversight.standards import AGES, STANDARDS

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


def areas(asked: Asked) -> list[Block]:
    """Uptake and examination of the areas, each as a funnel."""
    return [
        _area(asked, "invited", ("n", "in_90"), _("Uptake, 90 days, by area"), "area-uptake", ("start", 120)),
        _area(
            asked,
            "released",
            ("high", "examined_180"),
            _("Examined within 180 days, by area"),
            "area-examined",
            ("high", 180),
        ),
    ]


def _area(
    asked: Asked, anchor: str, measures: tuple[str, str], title: str, key: str, matures: tuple[str, int]
) -> Block:
    """A funnel: areas by size with limits around the programme's share; small ones pooled, nobody ranked."""
    bottom, top = measures
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
            _standard(cells, area, bottom, top, "own"), _standard(cells, area, bottom, top, asked.standard),
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
                 _("Standardised, %(name)s") % {"name": STANDARDS[asked.standard][0]}, _("Against the programme")],
        rows=rows,
        chart=funnel.chart(
            [f"{names.get(str(area), '?')} ({grouped(large[area][1])})" for area in ordered],
            [(large[area][0] / large[area][1], large[area][1]) for area in ordered], target, phi, unit_words=_("area"),
        )
        if len(ordered) > 2 and 0 < target < 1
        else None,
        basis="cohort",
        maturity=cohort_maturity(asked, *matures),
        wrapped=True,
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
