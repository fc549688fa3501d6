"""Runs every check in one snapshot of the database and keeps what it found: over everything, or over what changed."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from datetime import date, timedelta
from time import perf_counter
from typing import Any

from django.db import connection

from oversight.checks import CHECKS, Check, Severity, check_query, days_for
from oversight.checks.balance_sql import ledgers_sql, lots_sql
from oversight.models import LedgerCount, NetCount, ProofResult, ProofRun
from oversight.net import LISTS, NetList, net_query
from oversight.seal.sql import STEADY
from oversight.services.duties import duty_claim, duty_done
from oversight.services.horizon import horizon_now, tables_now
from oversight.services.open_questions import OPEN, open_questions
from oversight.services.snapshot import lock_taken, snapshot
from staff import clock
from staff.acting import acting
from staff.models import NonWorkingDay, User

DUTY = "prove"


@dataclass(frozen=True, slots=True)
class Found:
    """What one check found, before it is stored."""

    check: Check
    checked: int
    violating: int
    oldest: date | None
    offenders: Sequence[Mapping[str, Any]]
    seconds: float


@dataclass(frozen=True, slots=True)
class Seen:
    """Everything one look at the database saw: checks, ledgers, lists, and what tells the next look what changed."""

    kind: ProofRun.Kind
    at: Any
    seconds: float
    found: Sequence[Found]
    ledgers: Sequence[tuple[str, str, int, int, int]]
    lists: Sequence[NetCount]
    horizon: int | None
    tables: Mapping[str, Any]


def prove(*, by: User) -> ProofRun:
    """Run all checks, ledgers and lists in one consistent snapshot and store what each found; returns the stored run."""
    seen = look()
    if seen is None:
        raise RuntimeError("another proof holds the lock")
    with acting(by, reason="proof"):
        return kept(seen, by=by)


def prove_once(*, by: User, on: date) -> ProofRun | None:
    """The nightly proof of a local day: None when that day has it, or another worker is at it."""
    if duty_done(DUTY, on):
        return None
    seen = look(wait=False)
    if seen is None:
        return None
    with acting(by, reason="duty prove"):
        return kept(seen, by=by) if duty_claim(DUTY, on) else None


def look(*, wait: bool = True) -> Seen | None:
    """Look at everything, read only and in one snapshot; None when another worker is at it and we do not wait."""
    began, today = perf_counter(), clock.today()
    with snapshot(read_only=True):
        with connection.cursor() as cursor:
            cursor.execute(STEADY)
        if not wait and not lock_taken(DUTY):
            return None
        params = check_params(today)
        found = [check_run(check, params) for check in CHECKS.values()]
        ledgers = _rows(f"{ledgers_sql()} UNION ALL {lots_sql()}")
        lists = [list_run(one, params) for one in LISTS.values()]
        horizon, tables = horizon_now(), tables_now() | {OPEN: list(astuple(open_questions()))}
    return Seen(
        ProofRun.Kind.FULL, clock.now(), perf_counter() - began, found, ledgers, lists, horizon, tables
    )


def kept(seen: Seen, *, by: User) -> ProofRun:
    """Store what a look saw; call inside `acting(...)`."""
    run = ProofRun.objects.create(
        started_at=seen.at,
        seconds=seen.seconds,
        run_by=by,
        kind=seen.kind,
        horizon=seen.horizon,
        tables=seen.tables,
    )
    today = clock.local_day(seen.at)
    ProofResult.objects.bulk_create(
        ProofResult(
            run=run,
            check_name=one.check.name,
            checked=one.checked,
            violating=one.violating,
            offenders=list(one.offenders),
            oldest_days=(today - one.oldest).days if one.oldest else None,
            seconds=one.seconds,
        )
        for one in seen.found
    )
    LedgerCount.objects.bulk_create(
        LedgerCount(run=run, ledger=ledger, part=part, counted=counted, came=came, went=went)
        for ledger, part, counted, came, went in seen.ledgers
    )
    for one in seen.lists:
        one.run = run
    NetCount.objects.bulk_create(seen.lists)
    return run


def _rows(statement: str) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(statement)
        return list(cursor.fetchall())


def check_params(today: date) -> dict[str, Any]:
    """The days and the zone that the checks' statements name."""
    closed = NonWorkingDay.objects.filter(site__isnull=True, day__range=(today - timedelta(days=90), today))
    return days_for(today, frozenset(closed.values_list("day", flat=True))) | {"zone": clock.zone().key}


def check_run(check: Check, params: Mapping[str, Any], *, narrow: bool = False) -> Found:
    """Run one check with the given days; narrowed, over the people and kits that `params` name."""
    began, values = perf_counter(), dict(params) | dict(check.params)
    with connection.cursor() as cursor:
        cursor.execute(check_query(check, counted=True, narrow=narrow), values)
        (checked,) = cursor.fetchone()
        cursor.execute(check_query(check, narrow=narrow), values)
        violating, oldest, offenders = cursor.fetchone()
    return Found(check, int(checked or 0), int(violating), oldest, _json(offenders), perf_counter() - began)


def _json(told: Any) -> Any:
    return json.loads(told) if isinstance(told, str) else told


def list_run(one: NetList, params: Mapping[str, Any]) -> NetCount:
    """Count one list and take its oldest entries; not stored yet."""
    began, values = perf_counter(), dict(params) | dict(one.params)
    with connection.cursor() as cursor:
        cursor.execute(one.checked, values)
        (checked,) = cursor.fetchone()
        cursor.execute(net_query(one), values)
        waiting, without_owner, settled, oldest, rows = cursor.fetchone()
    return NetCount(
        name=one.name, checked=int(checked or 0), waiting=waiting, without_owner=without_owner, settled=settled,
        oldest_days=(params["today"] - oldest).days if oldest else None, seconds=perf_counter() - began, rows=_json(rows),
    )  # fmt: skip


def proof_latest(*, full: bool = False) -> ProofRun | None:
    """The run made last on the registry itself; with `full`, the last over everything."""
    kinds = [ProofRun.Kind.FULL] if full else [ProofRun.Kind.FULL, ProofRun.Kind.CHANGED]
    return ProofRun.objects.filter(kind__in=kinds).order_by("-pk").first()


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
        "kind": run.kind,
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
