"""Opening a run with its controls, controls in between, closing it, and settling one that was held (R6)."""

from collections.abc import Sequence
from datetime import timedelta
from decimal import Decimal

from django.db import connection
from django.utils.translation import gettext as _

from results.models import Analyser, ControlLot, ControlReading, Run, Sample, Unit
from results.services.control_plans import CheckValues, plan_on
from results.services.runs_brackets import readings_bracketed
from results.services.runs_checks import check_lot_trouble, checks_asked, checks_trouble
from results.services.runs_controls import ControlValues, Position, controls_judge, lot_trouble
from results.services.slips import slip_found
from results.services.versions import analysers_bring_up
from results.services.watch import run_watched
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool, Role

NEWEST_HERE = """
    SELECT r.sample_id, max(r.id) FROM results_reading r LEFT JOIN results_bracketedreading k ON k.reading_id = r.id
    WHERE r.run_id = %s AND (k.reading_id IS NOT NULL) = %s GROUP BY r.sample_id
"""
NEWEST = """
    SELECT r.sample_id, max(r.id) FROM results_reading r WHERE r.sample_id = ANY(%s) GROUP BY r.sample_id
"""
LARGEST = Decimal(100_000)


def run_open(
    *, by: User, analyser: Analyser, unit: str, readings: ControlValues, checks: CheckValues = (),
    device_limit: Decimal | None = None,
) -> Run:  # fmt: skip
    """Open a run when its controls are in control; otherwise keep the attempt as a refused run.

    `unit` is what the operator read on the display, `device_limit` the limit set there for the analyser's own yes or no,
    in that unit; without it a line that says only yes or no is refused. Raises RoundbookError when a run is open already, a level is
    missing, or a lot may not be used; nothing is stored then.
    """
    require_role(by, Role.LABORATORY)
    _check_values(readings)
    with acting(by) as frame:
        analysers_bring_up(frame=frame)
        analyser = Analyser.objects.select_for_update().get(pk=analyser.pk)
        if device_limit is not None and not 0 < device_limit < LARGEST:
            raise RoundbookError("device_limit", _("The limit on the analyser is a number above zero."))
        _check_opening(analyser, unit, readings, frame)
        _check_checks(analyser, checks, frame)
        nth = Run.objects.filter(analyser=analyser, day=frame.today).count() + 1
        run = Run.objects.create(
            analyser=analyser, day=frame.today, nth=nth, unit=unit, status=Run.Status.REFUSED, opened_by=by,
            opened_at=frame.now, device_limit=device_limit,
        )  # fmt: skip
        judged = controls_judge(run, readings, position=Position.START, frame=frame, checks=checks)
        if judged.in_control:
            run.status = Run.Status.OPEN
        else:
            run.resolution = judged.sentence
        run.save(update_fields=["status", "resolution"])
    return run


def _check_opening(analyser: Analyser, unit: str, readings: ControlValues, frame: Acting) -> None:
    if unit not in Unit.values:
        raise RoundbookError("unit_unknown", _("Confirm the unit on the display: ng/mL or µg/g."))
    if Run.objects.filter(analyser=analyser, status=Run.Status.OPEN).exists():
        raise RoundbookError(
            "run_already_open",
            _("%(analyser)s has an open run. Close it with its controls first.") % {"analyser": analyser},
        )
    for lot, _value in readings:
        trouble = lot_trouble(lot, analyser=analyser, unit=unit, day=frame.today)
        if trouble:
            raise RoundbookError("control_unusable", trouble, lot=lot.pk)
    missing = {n + 1 for n in range(plan_on(analyser, frame.today).levels)} - {
        lot.level for lot, _value in readings
    }
    if missing:
        levels = ", ".join(str(n) for n in sorted(missing))
        raise RoundbookError(
            "control_missing",
            _("Measure control level %(levels)s before the run may start.") % {"levels": levels},
        )


def _check_checks(analyser: Analyser, checks: CheckValues, frame: Acting) -> None:
    for lot, _passed in checks:
        trouble = check_lot_trouble(lot, analyser=analyser, day=frame.today)
        if trouble:
            raise RoundbookError("control_unusable", trouble, check=lot.pk)
    asked = checks_asked(analyser, plan_on(analyser, frame.today).checks)
    missing = set(asked) - {lot.material for lot, _passed in checks}
    if missing:
        raise RoundbookError(
            "control_missing",
            _("Run the pass/fail check before the run may start: %(checks)s.")
            % {"checks": ", ".join(sorted(missing))},
        )


def _check_values(readings: ControlValues) -> None:
    for lot, value in readings:
        if not value.is_finite() or not 0 <= value < LARGEST:
            raise RoundbookError(
                "control_value", _("%(value)s cannot be a reading of %(control)s. Type what the display shows.")
                % {"value": value, "control": lot},
            )  # fmt: skip


def run_control(*, by: User, run: Run, readings: ControlValues, checks: CheckValues = ()) -> Run:
    """Record controls in between; when they are out the run ends held, with what was measured since the last good ones."""
    require_role(by, Role.LABORATORY)
    _check_values(readings)
    if not readings and not checks:
        raise RoundbookError("control_missing", _("Type at least one control reading."))
    with acting(by) as frame:
        run = _locked(run, Run.Status.OPEN)
        lots = [*_lots_trouble(run, readings, frame), *checks_trouble(run, checks, frame.today)]
        judged = controls_judge(
            run, readings, position=Position.MIDDLE, frame=frame, lots=lots, checks=checks
        )
        if not judged.in_control:
            _end(run, Run.Status.HELD, frame)
    return run


def run_close(*, by: User, run: Run, readings: ControlValues, checks: CheckValues = ()) -> Run:
    """Close a run with its end controls: in control its samples are ready to release, otherwise they are held.

    A level that was not measured, or a lot that may not be used, holds the run like a reading that is out.
    """
    require_role(by, Role.LABORATORY)
    _check_values(readings)
    with acting(by) as frame:
        run = _locked(run, Run.Status.OPEN)
        lots = [*_lots_trouble(run, readings, frame), *checks_trouble(run, checks, frame.today)]
        judged = controls_judge(run, readings, position=Position.END, frame=frame, lots=lots, checks=checks)
        if judged.in_control and (slip_found(run) is not None or run_watched(run, frame=frame)):
            _end(run, Run.Status.HELD, frame, bracketed=False)
        else:
            _end(run, Run.Status.IN_CONTROL if judged.in_control else Run.Status.HELD, frame)
    return run


def _lots_trouble(run: Run, readings: ControlValues, frame: Acting) -> list[str]:
    found = (
        lot_trouble(lot, analyser=run.analyser, unit=run.unit, day=frame.today) for lot, _value in readings
    )
    return [trouble for trouble in found if trouble]


def _locked(run: Run, *statuses: str) -> Run:
    locked = Run.objects.select_for_update(of=("self",)).select_related("analyser").get(pk=run.pk)
    if locked.status not in statuses:
        raise IllegalMove(
            "run_not_so", _("%(run)s is %(status)s; this cannot be done any more.")
            % {"run": locked, "status": locked.get_status_display()},
        )  # fmt: skip
    return locked


def _end(run: Run, status: str, frame: Acting, *, bracketed: bool = True) -> None:
    """Give the run its end and move what was measured in it: to the release list, or to the held list.

    Of a held run only what stands between earlier good controls goes to the release list; nothing does when the
    readings themselves are in doubt (`bracketed` false).
    """
    run.status, run.closed_by, run.closed_at = status, frame.by, frame.now
    run.save(update_fields=["status", "closed_by", "closed_at"])
    if bracketed and status == Run.Status.HELD and readings_bracketed(run, frame=frame):
        _move_measured(run, "bracket", note=str(run), frame=frame, bracketed=True)
    _move_measured(run, "bracket" if status == Run.Status.IN_CONTROL else "hold", note=str(run), frame=frame)


def _move_measured(run: Run, event: str, *, note: str, frame: Acting, bracketed: bool = False) -> None:
    """Make an event happen to the samples whose newest reading is of this run, in whatever state knows it.

    `bracketed` picks the readings of a held run that stand between good controls; otherwise all others are meant.
    """
    with connection.cursor() as cursor:
        cursor.execute(NEWEST_HERE, [run.pk, bracketed])
        here = dict(cursor.fetchall())
        cursor.execute(NEWEST, [list(here)])
        ids = [sample for sample, newest in cursor.fetchall() if newest == here[sample]]
    make_moves(
        ledger_of(Sample),
        event,
        source="SELECT unnest(%(ids)s::bigint[]) AS id",
        params={"ids": ids, "due": frame.today + timedelta(days=1), "note": note},
        values={
            "due_on": "%(due)s::date",
            "pool": f"'{Pool.LABORATORY}'",
            "rule": "'R6'",
            "note": "%(note)s",
        },
    )


def run_resolve(*, by: User, run: Run, resolution: str, second: User, retest: bool = True) -> Run:
    """Settle a held run, in words and with a second person of the laboratory.

    `retest` sends its samples to be measured again, and the run stays held for good, so its readings are never
    released; otherwise the words justify releasing them and the run counts as resolved.
    """
    require_role(by, Role.LABORATORY)
    require_role(second, Role.LABORATORY)
    if second.pk == by.pk:
        raise RoundbookError("second_person", _("A second person must agree: choose somebody else."))
    if not resolution.strip():
        raise RoundbookError("words_missing", _("Write what was found and what was done."))
    with acting(by, reason=resolution.strip()) as frame:
        run = _locked(run, Run.Status.HELD)
        if run.resolution:
            raise IllegalMove("run_not_so", _("%(run)s was settled already.") % {"run": run})
        run.resolution = _("%(words)s (agreed by %(second)s)") % {
            "words": resolution.strip(),
            "second": second,
        }
        if not retest:
            run.status = Run.Status.RESOLVED
        run.save(update_fields=["status", "resolution"])
        _move_measured(run, "retest" if retest else "bracket", note=run.resolution, frame=frame)
    return run


def controls_for(analyser: Analyser, unit: str = "") -> Sequence[ControlLot]:
    """The control lots an analyser can be opened with today, the newest lot of each level."""
    lots = ControlLot.objects.filter(analyser=analyser, confirmed_by__isnull=False)
    if unit:
        lots = lots.filter(unit=unit)
    return list(lots.order_by("level", "-opened_on", "-pk").distinct("level"))


def last_controls(run: Run) -> Sequence[ControlReading]:
    """The control readings of a run in the order measured, with their lots."""
    return list(run.control_readings.select_related("control", "read_by").order_by("seq"))
