"""Lots of the laboratory: entry and confirmation, stock, setting apart, and scanning them into a run."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from django.db.models import Count, Q
from django.utils.translation import gettext as _

from results.control_statistics import days_of_cover
from results.models import (
    Analyser,
    CheckLot,
    ControlLot,
    LabLot,
    Reading,
    Run,
    RunLot,
    StockCount,
)
from results.services.control_plans import CheckValues
from results.services.runs import run_open
from results.services.runs_controls import ControlValues
from screening.models import Kit, Lot
from staff.access import require_role
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

USE_DAYS = 28
SHORT_COVER = 30


def second_person_confirms(*, by: User, row: ControlLot | CheckLot | LabLot) -> None:
    """Confirm a lot's target or facts as somebody other than who entered them."""
    require_role(by, Role.LABORATORY)
    with acting(by):
        locked = type(row)._default_manager.select_for_update(of=("self",)).get(pk=row.pk)
        if locked.confirmed_by_id is not None:
            raise IllegalMove("confirmed_before", _("This was confirmed already."))
        if locked.entered_by_id == by.pk:
            raise RoundbookError("second_person", _("You entered this yourself; somebody else confirms it."))
        type(row)._default_manager.filter(pk=row.pk).update(confirmed_by=by)
    row.refresh_from_db()


def lot_enter(*, by: User, row: ControlLot | CheckLot | LabLot) -> None:
    """Keep a new lot; it is not used before a second person has confirmed it."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        if row.expires_on < frame.today:
            raise RoundbookError("lot_expired", _("This lot has expired. Compare the day with the label."))
        if isinstance(row, ControlLot):
            _plausible_target(row)
        row.entered_by, row.confirmed_by = by, None
        row.save(force_insert=True)


def _plausible_target(row: ControlLot) -> None:
    """An SD of over a quarter of its target is a slip (CP)."""
    if row.sd * 4 > row.target:
        raise RoundbookError(
            "sd_implausible",
            _("An SD of more than a quarter of the target would pass almost anything. Compare both with the sheet."),
        )  # fmt: skip


def stock_count(*, by: User, lot: LabLot, packs_left: Decimal) -> StockCount:
    """Write down how many packs are left."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        return StockCount.objects.create(
            lot=lot, counted_on=frame.today, packs_left=packs_left, counted_by=by
        )


def lot_set_apart(*, by: User, lot: LabLot, note: str) -> LabLot:
    """Set a lot apart: it cannot be scanned into a run any more."""
    require_role(by, Role.LABORATORY)
    if not note.strip():
        raise RoundbookError("words_missing", _("Write why the lot is set apart."))
    with acting(by, reason=note.strip()):
        LabLot.objects.filter(pk=lot.pk).update(quarantine_note=note.strip()[:200])
    lot.refresh_from_db()
    return lot


def lots_read(analyser: Analyser, codes: Sequence[str], day: date) -> list[LabLot]:
    """The lots of these scanned codes; RoundbookError, in words, for one that may not be used, or a kind left out.

    A kind has to be scanned as soon as any confirmed lot of it is known for the analyser.
    """
    found = []
    for code in dict.fromkeys(code.strip().upper() for code in codes if code.strip()):
        lot = LabLot.objects.filter(lot__iexact=code).filter(_for(analyser)).first()
        trouble = _trouble(lot, code, day)
        if trouble or lot is None:
            raise RoundbookError("lot_unusable", trouble)
        found.append(lot)
    kinds = (
        LabLot.objects.filter(_for(analyser), confirmed_by__isnull=False).values_list("kind", flat=True).distinct()
    )  # fmt: skip
    missing = sorted(set(kinds) - {lot.kind for lot in found})
    if missing:
        words = ", ".join(str(LabLot.Kind(kind).label) for kind in missing)
        raise RoundbookError("lot_missing", _("Scan the lot in use of: %(kinds)s.") % {"kinds": words})
    return found


def _for(analyser: Analyser) -> Q:
    return Q(analyser=analyser) | Q(analyser__isnull=True)


def _trouble(lot: LabLot | None, code: str, day: date) -> str:
    if lot is None:
        return _("Lot %(code)s is not known for this analyser. Have it entered and confirmed first.") % {
            "code": code[:30]
        }
    names = {"lot": str(lot), "day": lot.expires_on, "note": lot.quarantine_note}
    if lot.confirmed_by_id is None:
        return _("%(lot)s waits for a second person. Have it confirmed first.") % names
    if lot.quarantine_note:
        return _("%(lot)s is set apart: %(note)s") % names
    if day > lot.expires_on:
        return _("%(lot)s expired on %(day)s. Open another one.") % names
    return ""


def run_open_scanned(
    *, by: User, analyser: Analyser, unit: str, readings: ControlValues, checks: CheckValues, codes: Sequence[str],
    device_limit: Decimal | None = None,
) -> Run:  # fmt: skip
    """Open a run with the lots in use scanned into it; nothing is stored when a lot may not be used."""
    with acting(by) as frame:
        lots = lots_read(analyser, codes, frame.today)
        run = run_open(
            by=by, analyser=analyser, unit=unit, readings=readings, checks=checks, device_limit=device_limit
        )
        RunLot.objects.bulk_create(
            RunLot(run=run, lot=lot, scanned_at=frame.now, scanned_by=by) for lot in lots
        )
    return run


@dataclass(frozen=True, slots=True)
class StockLine:
    """One lot on the list of lots and stock; `left` in tests or kits, `cover` in days."""

    kind: str
    name: str
    lot: str
    expires_on: date
    opened_on: date | None
    left: int | None
    cover: int | None
    confirmed: bool
    apart: str
    row: object

    @property
    def short(self) -> bool:
        """Whether it covers less than a month."""
        return self.cover is not None and self.cover < SHORT_COVER


def stock_lines(today: date) -> list[StockLine]:
    """Every lot that has not expired long ago: kits, reagents, consumables, calibrators, controls and checks."""
    since = today - timedelta(days=USE_DAYS)
    recent = today - timedelta(days=90)
    return [
        *_kit_lines(today, since),
        *_lab_lines(since, recent),
        *_control_lines(recent),
    ]


def _kit_lines(today: date, since: date) -> list[StockLine]:
    used = Kit.objects.filter(dispatched_on__gt=since).count()
    lots = Lot.objects.annotate(left=Count("kits", filter=Q(kits__state="in_stock"))).filter(
        Q(left__gt=0) | Q(expires_on__gte=today)
    )
    return [
        StockLine(
            _("kit"), str(lot.kit_model), lot.code, lot.expires_on, None, lot.left,
            days_of_cover(lot.left, used, USE_DAYS), True, _("set apart") if lot.quarantined else "", lot,
        )
        for lot in lots.select_related("kit_model").order_by("expires_on")
    ]  # fmt: skip


def _lab_lines(since: date, recent: date) -> list[StockLine]:
    read = dict(
        Reading.objects.filter(analysed_on__gt=since).values_list("run__analyser").annotate(n=Count("pk"))
    )
    lines = []
    for lot in LabLot.objects.filter(expires_on__gte=recent).prefetch_related("counts"):
        counts = list(lot.counts.all()[:1])
        left = int(counts[0].packs_left * lot.tests_per_unit) if counts else None
        used = read.get(lot.analyser_id, 0) if lot.analyser_id else sum(read.values())
        cover = None if left is None else days_of_cover(left, used, USE_DAYS)
        lines.append(
            StockLine(
                lot.get_kind_display(), lot.name, lot.lot, lot.expires_on, lot.opened_on, left, cover,
                lot.confirmed_by_id is not None, lot.quarantine_note, lot,
            )
        )  # fmt: skip
    return lines


def _control_lines(recent: date) -> list[StockLine]:
    rows: list[ControlLot | CheckLot] = [
        *ControlLot.objects.filter(expires_on__gte=recent).select_related("analyser"),
        *CheckLot.objects.filter(expires_on__gte=recent).select_related("analyser"),
    ]
    return [
        StockLine(
            _("control") if isinstance(row, ControlLot) else _("check"),
            f"{row.material} {row.level if isinstance(row, ControlLot) else ''} · {row.analyser}", row.lot,
            row.expires_on, row.opened_on, None, None, row.confirmed_by_id is not None, "", row,
        )
        for row in rows
    ]  # fmt: skip
