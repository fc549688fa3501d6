"""Which readings of a run stand between good controls although the run is held, and earlier attempts at opening it."""

from collections import defaultdict
from datetime import datetime

from django.db import connection

from results.bracketing import (
    Bracket,
    ControlGroup,
    NextControls,
    ReadWhen,
    bracket,
    next_controls,
    read_when,
)
from results.models import CheckReading, ControlReading, Run
from results.services.control_plans import plan_on
from results.services.readings_copy import copy_rows
from staff.acting import Acting

READINGS = """
    SELECT r.id, r.read_at, coalesce(f.loaded_at, r.read_at) FROM results_reading r
    LEFT JOIN results_readingsfile f ON f.id = r.file_id WHERE r.run_id = %s ORDER BY r.id
"""
Position = ControlReading.Position


def groups_of(run: Run) -> list[tuple[ControlGroup, int]]:
    """The controls of a run as measured together, oldest first, each with the number of its last reading."""
    plan = plan_on(run.analyser, run.day)
    needed = {n + 1 for n in range(plan.levels)}
    controls: dict[tuple[str, datetime], list[ControlReading]] = defaultdict(list)
    checks: dict[tuple[str, datetime], list[CheckReading]] = defaultdict(list)
    for reading in run.control_readings.select_related("control").order_by("seq"):
        controls[reading.position, reading.read_at].append(reading)
    for check in run.check_readings.select_related("check_lot"):
        checks[check.position, check.read_at].append(check)
    found = []
    for key in {**controls, **checks}:
        own, beside = controls[key], checks[key]
        passed = all(c.passed and c.lot_usable for c in beside)
        group = ControlGroup(
            at=key[1],
            complete=needed <= {r.control.level for r in own} and len(beside) >= plan.checks,
            in_control=all(r.in_control for r in own) and passed,
        )
        found.append((group, max((r.seq for r in own), default=0)))
    return sorted(found, key=lambda one: (one[0].at, one[1]))


def readings_bracketed(run: Run, *, frame: Acting) -> int:
    """Write down which readings of a run that ends held nevertheless stand between good controls; returns how many.

    Everything else of the run, back to the last complete controls in control, is held with it.
    """
    groups = groups_of(run)
    with connection.cursor() as cursor:
        cursor.execute(READINGS, [run.pk])
        rows = cursor.fetchall()
    alone = [group for group, _seq in groups]
    good = []
    for pk, read_at, stored_at in rows:
        when = read_when(read_at, stored_at, run.opened_at, run.closed_at)
        if bracket(when, alone) is Bracket.IN_CONTROL:
            good.append((pk, _until(when, groups), frame.now))
    copy_rows("results_bracketedreading", ["reading_id", "until_seq", "at"], good)
    return len(good)


def _until(when: ReadWhen, groups: list[tuple[ControlGroup, int]]) -> int:
    before = [n for n, (group, _seq) in enumerate(groups) if group.complete and group.at <= when.earliest]
    later = groups[before[-1] + 1 :]
    return next(seq for group, seq in later if group.complete and group.at >= when.latest)


def controls_next(run: Run, now: datetime) -> NextControls:
    """How many samples and minutes are left before the run's next controls."""
    last = max((group.at for group, _seq in groups_of(run) if group.in_control), default=run.opened_at)
    measured = run.readings.filter(read_at__gt=last).count()
    return next_controls(plan_on(run.analyser, run.day).rhythm, measured, last, now)


def refused_before(run: Run) -> list[Run]:
    """The attempts at opening this very run that its controls refused, oldest first: repeats stay visible."""
    earlier = Run.objects.filter(analyser_id=run.analyser_id, opened_at__lte=run.opened_at, pk__lt=run.pk)
    refused: list[Run] = []
    for one in earlier.order_by("-pk")[:20]:
        if one.status != Run.Status.REFUSED:
            break
        refused.append(one)
    return refused[::-1]
