"""Runs every check in one snapshot of the database and keeps what it found."""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from time import perf_counter
from typing import Any

from django.db import OperationalError, connection, transaction

from oversight.checks import CHECKS, Check, Severity, check_query, days_for
from oversight.models import ProofResult, ProofRun
from oversight.services.duties import duty_claim
from staff import clock
from staff.acting import Acting, acting
from staff.models import NonWorkingDay, User

DUTY = "prove"
SERIALIZATION_FAILURE = "40001"


@dataclass(frozen=True, slots=True)
class Found:
    """What one check found, before it is stored."""

    check: Check
    checked: int
    violating: int
    oldest: date | None
    offenders: Sequence[Mapping[str, Any]]
    seconds: float


@contextmanager
def _snapshot() -> Iterator[None]:
    """One transaction in which every query sees the same moment; inside a caller's transaction, that one's view."""
    outermost = not connection.in_atomic_block
    with transaction.atomic():
        if outermost:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        yield


def prove(*, by: User) -> ProofRun:
    """Run all checks in one consistent snapshot and store what each found; returns the stored run."""
    with _snapshot(), acting(by) as frame:
        return _proved(frame)


def prove_once(*, by: User, on: date) -> ProofRun | None:
    """The nightly proof of a local day: None when that day has it, or another worker is at it."""
    try:
        with _snapshot(), acting(by, reason="duty prove") as frame:
            return _proved(frame) if duty_claim(DUTY, on) else None
    except OperationalError as error:
        if getattr(error.__cause__, "sqlstate", "") == SERIALIZATION_FAILURE:
            return None
        raise


def _proved(frame: Acting) -> ProofRun:
    began = perf_counter()
    params = check_params(frame.today)
    found = [check_run(check, params) for check in CHECKS.values()]
    run = ProofRun.objects.create(started_at=frame.now, seconds=perf_counter() - began, run_by=frame.by)
    ProofResult.objects.bulk_create(
        ProofResult(
            run=run,
            check_name=one.check.name,
            checked=one.checked,
            violating=one.violating,
            offenders=list(one.offenders),
            oldest_days=(frame.today - one.oldest).days if one.oldest else None,
            seconds=one.seconds,
        )
        for one in found
    )
    return run


def check_params(today: date) -> dict[str, Any]:
    """The days and the zone that the checks' statements name."""
    closed = NonWorkingDay.objects.filter(site__isnull=True, day__range=(today - timedelta(days=90), today))
    return days_for(today, frozenset(closed.values_list("day", flat=True))) | {"zone": clock.zone().key}


def check_run(check: Check, params: Mapping[str, Any]) -> Found:
    """Run one check with the given days."""
    began, values = perf_counter(), dict(params) | dict(check.params)
    with connection.cursor() as cursor:
        cursor.execute(check.checked_sql, values)
        (checked,) = cursor.fetchone()
        cursor.execute(check_query(check), values)
        violating, oldest, offenders = cursor.fetchone()
    if isinstance(offenders, str):
        offenders = json.loads(offenders)
    return Found(check, int(checked), int(violating), oldest, offenders, perf_counter() - began)


def proof_latest() -> ProofRun | None:
    """The run made last."""
    return ProofRun.objects.order_by("-pk").first()


def p1_violations(run: ProofRun) -> list[ProofResult]:
    """The results of a run that must be looked at at once."""
    return [
        result
        for result in run.results.order_by("pk")
        if result.violating
        and result.check_name in CHECKS
        and CHECKS[result.check_name].severity is Severity.P1
    ]


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One run in short: how many checks, how many things were looked at, and which checks do not hold."""

    run: ProofRun
    checks: int
    looked_at: int
    violated: Sequence[str]
    grave: bool


def run_summary(run: ProofRun) -> RunSummary:
    """A run in short."""
    results = sorted(run.results.all(), key=lambda result: result.pk)
    violated = [result.check_name for result in results if result.violating]
    grave = any(name in CHECKS and CHECKS[name].severity is Severity.P1 for name in violated)
    return RunSummary(run, len(results), sum(result.checked for result in results), violated, grave)


def run_as_dict(run: ProofRun) -> dict[str, Any]:
    """A run for programs."""
    return {
        "run": run.pk,
        "started_at": run.started_at.isoformat(),
        "seconds": round(run.seconds, 3),
        "checks": [
            {
                "name": result.check_name,
                "severity": str(CHECKS[result.check_name].severity) if result.check_name in CHECKS else "",
                "checked": result.checked,
                "violating": result.violating,
                "oldest_days": result.oldest_days,
                "seconds": round(result.seconds, 3),
                "offenders": result.offenders,
            }
            for result in run.results.order_by("pk")
        ],
    }
