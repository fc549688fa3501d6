"""Figures that others tell the programme: told for whole months, taken back with a reason, counted beside the registry's own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.db import connection
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from oversight.filters import Asked
from oversight.models import ToldFigure
from oversight.rollup.few import NOT_CUT
from oversight.rollup.measures import ANCHORS
from oversight.services.sums import Counts, sums
from screening.months import add_months
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

Kind = ToldFigure.Kind
MAY_TELL = (Role.MANAGER, Role.ADMINISTRATOR)
MOST_MONTHS = 36
_TELLING = 726_118  # advisory lock: one figure is told at a time, so that the second finds the first


@dataclass(frozen=True, slots=True)
class Tells:
    """What is told of one kind: words for what is counted and what it is out of, the measures it feeds, and of whom else."""

    counted: "StrOrPromise"
    out_of: "StrOrPromise"
    top: str
    bottom: str = ""
    own: Mapping[str, tuple[str, str]] = field(default_factory=dict)


TELLS: Mapping[int, Tells] = {
    Kind.COMPLAINTS: Tells(
        _("Complaints"), "", "complaints", own={"complaints_invited": ("invited", "n")},
    ),
    Kind.CALLS: Tells(_("Calls answered within two minutes"), _("All calls, given up or not"), "calls_soon", "calls"),
    Kind.REPORTS: Tells(_("Reports on a form with fixed fields"), _("All pathology reports"), "forms", "reports"),
    Kind.CANCERS: Tells(
        _("New bowel cancers of all residents"), _("Person-years of all residents"), "cancers", "cancer_years",
    ),
    Kind.DEATHS: Tells(
        _("Deaths from bowel cancer of all residents"), _("Person-years of all residents"), "deaths", "death_years",
    ),
    Kind.COST: Tells(
        _("Cost in whole units of money"), "", "cost",
        own={
            "cost_invited": ("invited", "n"), "cost_results": ("released", "n"), "cost_found": ("released", "advanced"),
        },
    ),
}  # fmt: skip
"""By kind; `own` are measures the registry counts itself in the same months: measure → (kind of cell, measure of it)."""


def standing(asked: Asked | None = None) -> "Sequence[ToldFigure]":
    """What stands, newest months first; with a question, only what was told for months wholly inside it."""
    rows = ToldFigure.objects.filter(ended_at=None).select_related("told_by")
    if asked is not None:
        rows = rows.filter(since__gte=asked.since, until__lte=asked.until)
    return list(rows)


def figure_tell(
    *, by: User, kind: int, since: date, until: date, counted: int, out_of: int | None, source: str
) -> ToldFigure:
    """Keep what somebody told for the months of these two days, whole ones.

    RoundbookError: `month_not_over`, `months_too_many`, `out_of_missing`, `out_of_needless`, `counted_more`,
    `told_too_large`, `told_by_nobody`, `told_already`.
    """
    require_role(by, *MAY_TELL)
    first = since.replace(day=1)
    last = add_months(until.replace(day=1), 1) - timedelta(days=1)
    with acting(by, reason="figure told") as frame:
        _one_at_a_time()
        _span_checked(first, last, frame.today)
        _counts_checked(kind, counted, out_of)
        if not source.strip():
            raise RoundbookError("told_by_nobody", _("Say who told it, and in which document."))
        _not_told_already(kind, first, last)
        return ToldFigure.objects.create(
            kind=kind, since=first, until=last, counted=counted, out_of=out_of, source=source.strip(), told_at=frame.now,
            told_by=by,
        )  # fmt: skip


def _one_at_a_time() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_TELLING])


def _not_told_already(kind: int, first: date, last: date) -> None:
    stands = ToldFigure.objects.filter(kind=kind, ended_at=None, since__lte=last, until__gte=first).first()
    if stands is not None:
        raise RoundbookError(
            "told_already",
            _("%(what)s: told already for %(span)s. Take that back first, then tell it anew.")
            % {"what": str(Kind(kind).label).capitalize(), "span": span_words(stands.since, stands.until)},
        )


def _span_checked(first: date, last: date, today: date) -> None:
    if last < first:
        raise RoundbookError("months_backwards", _("The last month lies before the first one."))
    if last >= today:
        raise RoundbookError(
            "month_not_over", _("%(month)s is not over yet. Tell it when it is.") % {"month": date_format(last, "F Y")}
        )  # fmt: skip
    if add_months(first, MOST_MONTHS) <= last:
        raise RoundbookError(
            "months_too_many", _("Tell at most %(n)s months as one figure.") % {"n": MOST_MONTHS}
        )


def _counts_checked(kind: int, counted: int, out_of: int | None) -> None:
    tells = TELLS[kind]
    if max(counted, out_of or 0) > ToldFigure.MOST:
        raise RoundbookError("told_too_large", _("That number is too large to be right. Tell whole units."))
    if not tells.out_of:
        if out_of is not None:
            raise RoundbookError(
                "out_of_needless",
                _("Leave “out of” empty: the registry counts those itself, in the same months."),
            )
        return
    if not out_of:
        raise RoundbookError("out_of_missing", _("Tell also: %(what)s.") % {"what": tells.out_of})
    if counted > out_of:
        raise RoundbookError(
            "counted_more", _("%(x)s is more than the %(n)s it is out of.") % {"x": counted, "n": out_of}
        )


def figure_take_back(*, by: User, told: ToldFigure, why: str) -> ToldFigure:
    """Take a figure back: it stays on record with the reason, and is counted no longer. Taken back before: as it is."""
    require_role(by, *MAY_TELL)
    if not why.strip():
        raise RoundbookError("note_missing", _("Write why it is taken back."))
    with acting(by, reason="figure taken back") as frame:
        ToldFigure.objects.filter(pk=told.pk, ended_at=None).update(
            ended_at=frame.now, ended_by=by, ended_why=why.strip()[:200]
        )
    told.refresh_from_db()
    return told


def span_words(first: date, last: date) -> str:
    """The months of two days in words."""
    names = date_format(first, "F Y"), date_format(last, "F Y")
    return names[0] if names[0] == names[1] else f"{names[0]} – {names[1]}"


def told_sums(asked: Asked) -> Mapping[tuple[str, date], Counts]:
    """Each measure by month; what was told for several months at once stands in the total only.

    Counted are figures whose months lie wholly inside the period; the registry's own counts are of those months.
    """
    rows = standing(asked)
    own = _own(asked, rows)
    found: dict[tuple[str, date], Counts] = {}
    for row in rows:
        key = str(row.since) if asked.by == "month" and row.is_one_month else NOT_CUT
        counts = found.setdefault((key, row.since), {})
        for name, n in _counts_of(row, own).items():
            counts[name] = counts.get(name, 0) + n
    return {key: {**dict.fromkeys(MEASURES, 0), **counts} for key, counts in found.items()}


Own = Mapping[str, Mapping[date, Counts]]


def _own(asked: Asked, rows: Sequence[ToldFigure]) -> Own:
    """What the registry itself counted, by kind of cell and month, as far as these figures need it."""
    wanted: dict[str, set[str]] = {}
    for row in rows:
        for anchor, name in TELLS[row.kind].own.values():
            wanted.setdefault(anchor, set()).add(name)
    months = replace(asked, by="month", only={})
    return {
        anchor: {
            month: counts for (_key, month), counts in sums(ANCHORS[anchor], months, sorted(names)).items()
        }
        for anchor, names in wanted.items()
    }


def _counts_of(row: ToldFigure, own: Own) -> Counts:
    tells = TELLS[row.kind]
    counts: Counts = {tells.top: row.counted}
    if tells.bottom:
        counts[tells.bottom] = row.out_of or 0
    for measure, (anchor, name) in tells.own.items():
        counts[measure] = sum(
            n.get(name, 0) for month, n in own[anchor].items() if row.since <= month <= row.until
        )
    return counts


MEASURES = sorted(name for tells in TELLS.values() for name in (tells.top, tells.bottom, *tells.own) if name)
"""Every measure that figures told by others make."""
