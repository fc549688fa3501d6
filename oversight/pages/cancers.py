"""The page of cancers: how each was found, at which stage, what the test missed, and how soon treatment began."""

from dataclasses import replace
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from oversight.figures import PERIOD, TOO_FEW_BELOW, figure_of
from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.intervals import poisson_exact
from oversight.pages.parts import TOO_FEW, Block, Shown, grouped, ranged, refused, sentence_of
from oversight.pages.totals import totals
from oversight.rollup.few import FEW
from oversight.services.cancers import TREATED_WITHIN, CancerCounts, cancer_counts
from oversight.services.figures import Counted, figures
from results.cancers import CLASS_WORDS, STAGES, CancerClass
from screening.models import Sex

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

NOBODY = (CancerClass.OTHER_ORIGIN, CancerClass.LINK_UNSETTLED)
"""Classes that count in no figure."""
PER = 10_000


def cancers(asked: Asked) -> Shown:
    """Cancers diagnosed in the period; small numbers, so every share stands beside its counts and interval."""
    keys = [one.key for one in indicators().of("cancers")]
    counted = figures(asked, keys)
    return Shown(
        slug="cancers",
        title=_("Cancers"),
        lead=_(
            "Cancers diagnosed in the period, by how they were found. Those found elsewhere are known only as far as they were"
            " reported, so recent months are incomplete."
        ),
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[
            sentence_of(counted, key) for key in ("sensitivity", "interval_rate", "early_found", "treated_31")
        ],
        blocks=[
            *_blocks(asked, counted),
            totals(counted, keys, _("Every figure of cancers"), "every"),
        ],
    )


def _blocks(asked: Asked, counted: Counted) -> list[Block]:
    """The tables, each as mature as the indicator it belongs to, or that a filter does not belong to them."""
    title = _("Cancers by how they were found, stage, and days to treatment")
    if block := refused("sensitivity", title, asked, FEW["cancers"].cuts):
        return [block]
    counts, found = cancer_counts(asked), counted.total.figures
    return [
        replace(block, maturity=found[key].maturity)
        for key, block in (
            ("sensitivity", _sensitivity(counts)),
            ("early_found", _stages(counts)),
            ("interval_rate", _missed(counts)),
            ("treated_31", _treated(counts)),
        )
    ]


def _sensitivity(counts: CancerCounts) -> Block:
    whole = counts.found + counts.interval
    rows: list[list[StrOrPromise]] = [
        [name, grouped(n), grouped(whole), ranged(figure_of(n, whole, basis=PERIOD))]
        for name, n in (
            (_("Found by the programme (programme sensitivity)"), counts.found),
            (_("Interval cancers after a result below the cutoff"), counts.interval),
        )
    ]
    return Block(
        key="sensitivity",
        title=_("Of the cancers in people screened, how many did the programme find?"),
        summary=_(
            "Out of: cancers found at an examination after a result at or above, and interval cancers: diagnosed after a result"
            " below the cutoff and before the next test was due."
        ),
        columns=[_("Cancers"), _("Counted"), _("Out of"), _("Share (95 % interval)")],
        rows=rows if whole else [],
        basis=PERIOD,
        empty=_(
            "No cancer was found or reported in this period. Interval cancers are entered at “Cancers reported later”."
        ),
    )


def _stages(counts: CancerCounts) -> Block:
    rows: list[list[StrOrPromise]] = []
    for kind in CancerClass:
        stages = dict(counts.by_class.get(kind, {}))
        n = sum(stages.values())
        if kind is CancerClass.SCREEN_DETECTED:
            n = max(n, counts.found)
        if kind in NOBODY or not n:
            continue
        known = [stages.get(stage, 0) for stage in STAGES]
        early = figure_of(known[0] + known[1], sum(known), basis=PERIOD)
        rows.append([
            CLASS_WORDS[kind], grouped(n), *(grouped(one) for one in known), grouped(n - sum(known)),
            ranged(early) if sum(known) else "–",
        ])  # fmt: skip
    return Block(
        key="stages",
        title=_("Stage at diagnosis, by how the cancer was found"),
        summary=_(
            "The share of stages I and II is of those whose stage is known. Stages come with the reports; a cancer found here"
            " has one once its report was entered."
        ),
        columns=[
            _("How it was found"),
            _("Cancers"),
            *STAGES,
            _("Not known"),
            _("Stage I–II (95 % interval)"),
        ],
        rows=rows,
        basis=PERIOD,
    )


def _missed(counts: CancerCounts) -> Block:
    years = {1: _("first year after the result"), 2: _("later, before the next test was due")}
    rows: list[list[StrOrPromise]] = [
        [
            f"{Sex(one.sex).label}, {years[one.year]}",
            grouped(one.cancers),
            grouped(round(one.person_years)),
            *_rate(one.cancers, one.person_years),
        ]
        for one in counts.missed
    ]
    time = sum(one.person_years for one in counts.missed)
    return Block(
        key="interval",
        title=_("Interval cancers per 10,000 person-years"),
        summary=_(
            "Person-years of people with a result below the cutoff, from the middle of the result's month until the next test was"
            " due, as far as they lie in the period. People who died or moved away meanwhile are not taken off, so the rate is a"
            " little too low. Intervals are exact (Poisson)."
        ),
        columns=[
            _("Sex, and when"),
            _("Interval cancers"),
            _("Person-years"),
            _("Per 10,000 (95 % interval)"),
        ],
        rows=rows,
        foot=[_("All"), grouped(counts.interval), grouped(round(time)), *_rate(counts.interval, time)]
        if rows
        else (),
        basis=PERIOD,
    )


def _rate(cancers: int, person_years: float) -> list["StrOrPromise"]:
    if person_years < 1:
        return ["–"]
    if person_years < TOO_FEW_BELOW:
        return [TOO_FEW]
    limits = poisson_exact(cancers)
    per = PER / person_years
    return [f"{cancers * per:.2f} ({limits.low * per:.2f}–{limits.high * per:.2f})"]


def _treated(counts: CancerCounts) -> Block:
    n = len(counts.waits)
    soon = figure_of(sum(days <= TREATED_WITHIN for days in counts.waits), n, basis=PERIOD)
    rows: list[list[StrOrPromise]] = [
        [
            grouped(n),
            str(counts.waits[(n - 1) // 2]),
            str(counts.waits[max(-(-9 * n // 10) - 1, 0)]),
            f"{soon.numerator} · {ranged(soon)}",
            grouped(counts.untreated),
        ]
    ] if n else []  # fmt: skip
    return Block(
        key="treatment",
        title=_("From diagnosis to the start of treatment"),
        summary=_(
            "Screen-detected and interval cancers whose treatment has begun, in days. Acceptable: more than 90 % within 31 days,"
            " European guidelines 2010 (to be confirmed against the document)."
        ),
        columns=[
            _("Treated"),
            _("Half within"),
            _("90 % within"),
            _("Within 31 days (95 % interval)"),
            _("No day known"),
        ],
        rows=rows,
        basis=PERIOD,
        empty=_("No day on which treatment began is known for the cancers of this period."),
    )
