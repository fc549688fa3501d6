"""Colonoscopies by who made them: for the manager and clinicians only, by volume and never by rank, small ones pooled."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from oversight import funnel
from oversight.figures import MEAN, PERIOD, TOO_FEW_BELOW, figure_of
from oversight.filters import Asked
from oversight.pages.parts import Block, Shown, grouped, ranged, refused
from oversight.services.examiners import ONLY, Work, work_by_examiner
from oversight.services.figures import period_maturity
from staff import clock

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

LONG_ENOUGH = 90
"""Days below which a pace a year is not told (common sense, no source)."""


def examiners(asked: Asked) -> Shown:
    """Completeness, preparation, adenomas and withdrawal of each examiner, and their number in a year."""
    found = work_by_examiner(asked)
    named = [one for one in found if one.examiner and one.scopes >= TOO_FEW_BELOW]
    small = [one for one in found if one not in named]
    return Shown(
        slug="examiners",
        title=_("Examiners"),
        lead=_(
            "Colonoscopies after a result at or above, by who made them as the report says. For talking with the examiner, not"
            " for passing on. Examiners stand by their number of colonoscopies, not by rank; those with fewer than %(n)s, or without a name, stand together."
        )
        % {"n": TOO_FEW_BELOW},
        asked=asked,
        cut_at=clock.now(),
        blocks=[block]
        if (block := refused("examiners", _("Adenomas, by examiner"), asked, ONLY))
        else _tables(asked, named, small),
    )


def _tables(asked: Asked, named: Sequence[Work], small: Sequence[Work]) -> list[Block]:
    """What was found, and how well each looked."""
    ordered = sorted(named, key=lambda one: (one.scopes, one.examiner))
    rest, whole = _together(_("The others together"), small), _together(_("All"), [*named, *small])
    target = whole.with_adenoma / whole.scopes if whole.scopes else 0.0
    phi = funnel.over_dispersion([(one.with_adenoma, one.scopes) for one in ordered], target)
    pooled = [rest] if small else []
    found = [[*_found(one, asked), _place(one, target, phi)] for one in ordered]
    empty = _("No colonoscopy after a result at or above was made in this period.")
    return [
        Block(
            key="examiners",
            title=_("Adenomas, by examiner"),
            summary=_(
                "Adenomas are counted by histology, or by their look where none came. Between the lines is what chance alone would"
                " do around the programme's share. Acceptable: an adenoma in at least 35 % (England); 300 colonoscopies a year of"
                " any kind (European guidelines 2010, to be confirmed against the document)."
            ),
            columns=[_("Examiner"), _("Colonoscopies"), _("A year at this pace"), _("With an adenoma (95 % interval)"), _("Adenomas each"),
                     _("Against the programme")],
            rows=[*found, *([*_found(one, asked, yearly=False), "–"] for one in pooled)],
            foot=[*_found(whole, asked, yearly=False), "–"] if whole.scopes else (),
            chart=_chart(ordered, target, phi) if len(ordered) > 2 and 0 < target < 1 else None,
            basis=PERIOD,
            maturity=period_maturity(asked),
            empty=empty,
        ),
        Block(
            key="looking",
            title=_("Completeness and withdrawal, by examiner"),
            summary=_("Acceptable: 90 % complete and prepared, 6 minutes on average in complete ones without abnormality (England)."),
            columns=[_("Examiner"), _("Colonoscopies"), _("Complete (95 % interval)"), _("Prepared (95 % interval)"), _("Minutes, mean")],
            rows=[_looked(one) for one in (*ordered, *pooled)],
            foot=_looked(whole) if whole.scopes else (),
            basis=PERIOD,
            maturity=period_maturity(asked),
            empty=empty,
        ),
    ]  # fmt: skip


def _together(name: str, several: Sequence[Work]) -> Work:
    whole = Work(name)
    for one in several:
        whole = whole.with_(one)
    return whole


def _found(one: Work, asked: Asked, *, yearly: bool = True) -> "list[StrOrPromise]":
    days = (min(asked.until, clock.today()) - asked.since).days + 1
    pace = grouped(round(one.scopes * 365 / days)) if yearly and days >= LONG_ENOUGH else "–"
    adenomas = figure_of(one.adenomas, one.scopes, basis=PERIOD, unit=MEAN).words
    share = ranged(figure_of(one.with_adenoma, one.scopes, basis=PERIOD))
    return [one.examiner, grouped(one.scopes), pace, share, adenomas]


def _looked(one: Work) -> "list[StrOrPromise]":
    return [
        one.examiner, grouped(one.scopes), ranged(figure_of(one.complete, one.scopes, basis=PERIOD)),
        ranged(figure_of(one.adequate, one.scopes, basis=PERIOD)),
        figure_of(one.minutes, one.negative, basis=PERIOD, unit=MEAN).words,
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
