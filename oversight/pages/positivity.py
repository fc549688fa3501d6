"""Positivity: the rate, its ladder, and a moving rate taken apart by people, season, laboratory and lot."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from oversight.figures import PERIOD, figure_of
from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.intervals import newcombe_difference
from oversight.pages.parts import TOO_FEW, Block, Shown, grouped, ranged, section_of, sentence_of
from oversight.rollup.measures import LADDER
from oversight.services.breaks import Break, breaks_between, breaks_of
from oversight.services.cells import Source, added_up, grouped_sums, sources, sweep, values
from oversight.services.figures import Counted, figures, period_maturity
from results.models import CutoffRule
from screening.models import Lot
from staff.models import Site

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

SWEEP = list(range(5, 201, 5))
FEWEST = 100


def positivity(asked: Asked) -> Shown:
    """The rate with its breaks, the ladder, the sweep, and what moved it."""
    steps = [f"ladder_{step}" for step in LADDER]
    counted = figures(asked, ["positivity", "unsure_cutoff", *steps])
    breaks, found = breaks_between(asked.since, asked.until), sources(asked)
    return Shown(
        slug="positivity",
        title=_("Positivity"),
        lead=_("How many results were at or above the cutoff, at other values too, and what moved the rate."),
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[sentence_of(counted, key) for key in ("positivity", "unsure_cutoff")],
        sections=[section_of(counted, "positivity", "", breaks_of(asked))],
        blocks=[
            _ladder(counted, steps),
            _sweep(asked),
            _apart(asked, breaks, found),
            *_by_source(asked, found),
        ],
        breaks=breaks_of(asked),
    )


def _ladder(counted: Counted, steps: Sequence[str]) -> Block:
    names = [str(indicators()[key].name) for key in steps]
    rows = [
        [row.label, grouped(row.figures[steps[0]].denominator), *(ranged(row.figures[key]) for key in steps)]
        for row in counted.rows
        if row.figures[steps[0]].denominator
    ]
    total = [_("All"), grouped(counted.total.figures[steps[0]].denominator),
             *(ranged(counted.total.figures[key]) for key in steps)]  # fmt: skip
    return Block(
        key="ladder",
        title=_("Ladder of values"),
        summary=_("Share of results with a number that reach each value, whatever the cutoff was."),
        columns=[_("Group"), _("Results with a number"), *names],
        rows=rows,
        foot=total if rows else (),
        basis="period",
        maturity=period_maturity(counted.asked),
    )


def _sweep(asked: Asked) -> Block:
    found = values(asked)
    whole = sum(n for _value, n, *_rest in found)
    lowest = CutoffRule.objects.filter(approved_by__isnull=False).values_list("cutoff_ug_g", flat=True)
    known_from = float(max(lowest, default=0))
    rows: list[list[StrOrPromise]] = []
    shares: list[float | None] = []
    for cutoff, n, examined, cancer, advanced in sweep(found, SWEEP):
        figure = figure_of(n, whole, basis=PERIOD)
        shares.append(None if figure.too_few or figure.percent is None else float(figure.percent))
        known = cutoff >= known_from
        rows.append([
            f"{cutoff} µg/g", grouped(n), ranged(figure),
            grouped(examined) if known else "–", grouped(cancer) if known else "–", grouped(advanced) if known else "–",
        ])  # fmt: skip
    told = [f"{SWEEP[n]} µg/g: {shares[n]} %" for n in (1, 3, 7, 15) if whole >= FEWEST]
    return Block(
        key="sweep",
        title=_("At any cutoff"),
        summary=_(
            "What the same results would have been at other cutoffs. Below the highest cutoff in force nobody was examined"
            " for that reason, so what would have been found there is not known and not shown."
        )
        + (f" {', '.join(told)}." if told else ""),
        columns=[_("Cutoff"), _("At or above"), _("Positivity (95 % interval)"), _("Examined"), _("Cancers"), _("Advanced adenomas")],
        rows=rows if whole else [],
        chart={
            "kind": "line", "unit": "%", "min": 0, "categories": [str(cutoff) for cutoff in SWEEP],
            "series": [{"name": _("positivity"), "values": shares}],
        }
        if whole >= FEWEST
        else None,
        basis="period",
        maturity=period_maturity(asked),
    )  # fmt: skip


def _apart(asked: Asked, breaks: Sequence[Break], found: Sequence[Source]) -> Block:
    """The second half of the months against the first: how much of the change is other people, and what is left."""
    cells = grouped_sums("released", asked, ["n", "high"], ["month", "sex", "age", "history"])
    months = sorted({key[0] for key in cells})
    early, late = months[: len(months) // 2], months[len(months) // 2 :]
    first, second = _strata(cells, early), _strata(cells, late)
    n1, n2 = sum(n for n, _h in first.values()), sum(n for n, _h in second.values())
    if min(n1, n2) < FEWEST:
        return Block(
            key="apart", title=_("What moved it"), summary="", columns=[], rows=[],
            empty=_("Two halves of at least %(n)s results each are needed to take a change apart.") % {"n": FEWEST},
        )  # fmt: skip
    p1, p2 = _rate(first), _rate(second)
    shared = sum(n for key, (n, _h) in second.items() if key in first)
    expected = (
        sum(n * first[key][1] / first[key][0] for key, (n, _h) in second.items() if key in first) / shared
    )
    people, rest = expected - p1, p2 - expected
    named = [f"{date_format(one.day, 'j M Y')}: {one.words}" for one in breaks]
    warm = _warm_share(late, second, cells) - _warm_share(early, first, cells)
    return Block(
        key="apart",
        title=_("What moved it"),
        summary=_("Later months against earlier ones: %(p1)s to %(p2)s, a change of %(d)s points.")
        % {"p1": _points(p1), "p2": _points(p2), "d": _signed(p2 - p1)},
        columns=[_("Part"), _("Points"), _("What it means")],
        rows=[
            [_("Other people"), _signed(people), _("sex, age and screening history weighed as in the later months, at the earlier rates")],
            [_("Everything else"), _signed(rest), _("season, lots, laboratory, cutoff and chance: see the rows below and the tables after this")],
            [_("Season"), f"{100 * warm:+.0f} %", _("change in the share of results from the warm months June to August; heat lowers values")],
            lots_row(added_up(found, 0, 2), early, late),
            [_("Cutoff and kit model"), str(len(breaks)), "; ".join(named) or _("no change in these months")],
        ],
        basis="period",
        maturity=period_maturity(asked),
        note=_("An account, not a proof of cause."),
    )  # fmt: skip


def lots_row(
    found: Sequence[tuple[date, int, int, int]], early: Sequence[date], late: Sequence[date]
) -> "list[StrOrPromise]":
    """In the later months, kit lots that were not in use before against those that were: (month, lot, results, at or above)."""
    known = {lot for month, lot, _n, _high in found if lot and month in early}
    sides = {True: [0, 0], False: [0, 0]}
    for month, lot, n, high in found:
        if lot and month in late:
            sides[lot in known][0] += int(n)
            sides[lot in known][1] += int(high)
    (n_old, old), (n_new, new) = sides[True], sides[False]
    name = _("Kit lots")
    if not n_new:
        return [name, "–", _("the later months used only lots that were in use before")]
    words = _("lots first used in the later months, %(new)s of %(n_new)s, against those in use before, %(old)s of %(n_old)s") % {
        "new": grouped(new), "n_new": grouped(n_new), "old": grouped(old), "n_old": grouped(n_old),
    }  # fmt: skip
    if min(n_old, n_new) < FEWEST:
        return [name, TOO_FEW, words]
    low, high_ = newcombe_difference(new, n_new, old, n_old)
    return [name, f"{_signed(new / n_new - old / n_old)} ({_signed(low)} – {_signed(high_)})", words]


Cells = Mapping[tuple[Any, ...], dict[str, int]]
Strata = dict[tuple[Any, ...], tuple[int, int]]


def _strata(cells: Cells, months: Sequence[date]) -> Strata:
    found: Strata = {}
    wanted = set(months)
    for key, counts in cells.items():
        if key[0] in wanted and counts["n"]:
            n, high = found.get(key[1:], (0, 0))
            found[key[1:]] = (n + counts["n"], high + counts["high"])
    return found


def _rate(strata: Strata) -> float:
    return sum(high for _n, high in strata.values()) / sum(n for n, _high in strata.values())


def _warm_share(months: Sequence[date], strata: Strata, cells: Cells) -> float:
    wanted = {month for month in months if month.month in (6, 7, 8)}
    warm = sum(counts["n"] for key, counts in cells.items() if key[0] in wanted)
    return float(warm / max(sum(n for n, _high in strata.values()), 1))


def _points(share: float) -> str:
    return f"{100 * share:.1f} %"


def _signed(share: float) -> str:
    return f"{100 * share:+.1f}"


def _by_source(asked: Asked, found: Sequence[Source]) -> list[Block]:
    sites = {site.pk: site.name for site in Site.objects.all()}
    lots = {lot.pk: lot.code for lot in Lot.objects.all()}
    return [
        _source_block(asked, added_up(found, 1), sites, _("By laboratory"), "laboratories"),
        _source_block(asked, added_up(found, 2), lots, _("By kit lot"), "lots"),
    ]


def _source_block(
    asked: Asked, found: Sequence[tuple[Any, ...]], names: dict[int, str], title: str, key: str
) -> Block:
    large = [(names.get(which, _("not known")), n, high) for which, n, high in found if n >= FEWEST]
    small = [(n, high) for _which, n, high in found if n < FEWEST]
    if small:
        words = _("%(n)s with fewer than %(few)s results, together") % {"n": len(small), "few": FEWEST}
        large.append((words, sum(n for n, _high in small), sum(high for _n, high in small)))
    rows = [
        [name, grouped(high), grouped(n), ranged(figure_of(high, n, basis=PERIOD))] for name, n, high in large
    ]
    return Block(
        key=key,
        title=title,
        summary=_("In the order in which they were set up, not by rank; small ones stand together."),
        columns=[_("Name"), _("At or above"), _("Results"), _("Positivity (95 % interval)")],
        rows=rows,
        basis="period",
        maturity=period_maturity(asked),
    )
