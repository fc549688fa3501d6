"""Colonoscopies by who made them: for the manager and clinicians only, by volume and never by rank, small ones pooled."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from oversight import funnel
from oversight.figures import MEAN, PERIOD, TOO_FEW_BELOW, figure_of
from oversight.filters import FILTER_WORDS, Asked
from oversight.pages.parts import Block, Shown, grouped, ranged
from oversight.services.examiners import ONLY, Work, work_by_examiner
from staff import clock

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

A_YEAR = 300
"""Colonoscopies a year below which an examiner sees too few. Source: European guidelines 2010, parameter 10 (from memory)."""


def examiners(asked: Asked) -> Shown:
    """Completeness, preparation, adenomas and withdrawal of each examiner, and their number in a year."""
    found = work_by_examiner(asked)
    named = [one for one in found if one.examiner and one.scopes >= TOO_FEW_BELOW]
    small = [one for one in found if one not in named]
    deaf = [str(words) for name, words in FILTER_WORDS.items() if name in asked.only and name not in ONLY]
    return Shown(
        slug="examiners",
        title=_("Examiners"),
        lead=_(
            "Colonoscopies after a result at or above, by who made them as the report says. For talking with the examiner, not"
            " for passing on. Examiners stand by their number of colonoscopies, not by rank; those with fewer than %(n)s stand together."
        )
        % {"n": TOO_FEW_BELOW},
        asked=asked,
        cut_at=clock.now(),
        blocks=[_table(asked, named, small, deaf)],
    )


def _table(asked: Asked, named: Sequence[Work], small: Sequence[Work], deaf: Sequence[str]) -> Block:
    ordered = sorted(named, key=lambda one: (one.scopes, one.examiner))
    whole = Work(_("All"))
    for one in (*named, *small):
        whole = whole.with_(one)
    target = whole.with_adenoma / whole.scopes if whole.scopes else 0.0
    phi = funnel.over_dispersion([(one.with_adenoma, one.scopes) for one in ordered], target)
    rows = [[*_row(one, asked), _place(one, target, phi)] for one in ordered]
    if small:
        rest = Work(_("fewer than %(n)s each, or not named, together") % {"n": TOO_FEW_BELOW})
        for one in small:
            rest = rest.with_(one)
        rows.append([*_row(rest, asked, yearly=False), "–"])
    return Block(
        key="examiners",
        title=_("By examiner"),
        summary=_(
            "Adenomas are counted by histology, or by their look where none came. Between the lines is what chance alone would"
            " do around the programme's share. Acceptable: an adenoma in at least 35 %, 90 % complete, 6 minutes (England); 300"
            " colonoscopies a year of any kind (European guidelines 2010, to be confirmed against the document)."
        )
        + (_(" Not applied here: filter by %(f)s.") % {"f": ", ".join(deaf)} if deaf else ""),
        columns=[_("Examiner"), _("Colonoscopies"), _("A year at this pace"), _("Complete (95 % interval)"),
                 _("Prepared (95 % interval)"), _("With an adenoma (95 % interval)"), _("Adenomas each"), _("Minutes, clean ones"),
                 _("Adenomas against the programme")],
        rows=rows,
        foot=[*_row(whole, asked, yearly=False), "–"] if rows else (),
        chart=_chart(ordered, target, phi) if len(ordered) > 2 and 0 < target < 1 else None,
        basis=PERIOD,
        empty=_("No colonoscopy after a result at or above was made in this period."),
    )  # fmt: skip


def _row(one: Work, asked: Asked, *, yearly: bool = True) -> "list[StrOrPromise]":
    days = (min(asked.until, clock.today()) - asked.since).days + 1
    pace = grouped(round(one.scopes * 365 / days)) if yearly and days >= 90 else "–"

    def share(n: int) -> "StrOrPromise":
        return ranged(figure_of(n, one.scopes, basis=PERIOD))

    def mean(n: int, out_of: int) -> str:
        return figure_of(n, out_of, basis=PERIOD, unit=MEAN).words

    return [
        one.examiner, grouped(one.scopes), pace, share(one.complete), share(one.adequate), share(one.with_adenoma),
        mean(one.adenomas, one.scopes), mean(one.minutes, one.negative),
    ]  # fmt: skip


def _place(one: Work, target: float, phi: float) -> "StrOrPromise":
    if not 0 < target < 1:
        return "–"
    return funnel.place_words(one.with_adenoma / one.scopes, funnel.limits(target, one.scopes, phi))


def _chart(ordered: Sequence[Work], target: float, phi: float) -> dict[str, Any]:
    """Shares with an adenoma by number of colonoscopies, with the lines of a funnel."""
    names = [f"{one.examiner} ({grouped(one.scopes)})" for one in ordered]
    points = [(one.with_adenoma / one.scopes, one.scopes) for one in ordered]
    return funnel.chart(names, points, target, phi, unit_words=_("examiner"))
