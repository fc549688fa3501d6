"""The incremental proof: the checks over the people and kits whose rows changed since the last proof, and the rest carried over.

What changed is read from the rows themselves: each row names the transaction that wrote it, so a change behind the
application's back, with every trigger off, shows too. A deleted row shows as a table that holds fewer rows than it did.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from time import perf_counter
from typing import Any

from django.db import connection

from oversight.checks import CHECKS, Check
from oversight.checks.base import SAMPLE_SIZE
from oversight.models import ProofResult, ProofRun
from oversight.seal.sql import STEADY
from oversight.services.changed_sql import A_MOMENT, MOST, SOURCES, WHOLE
from oversight.services.horizon import horizon_now
from oversight.services.proofs import Found, Seen, check_params, check_run, kept, proof_latest, prove
from oversight.services.snapshot import snapshot
from staff import clock
from staff.acting import acting
from staff.models import User

TIMED = (
    "%(today)s", "%(one_working_day)s", "%(two_working_days)s", "%(five_working_days)s", "%(seven_days)s", "%(six_weeks)s",
    "%(in_a_month)s", "%(in_a_year)s",
)  # fmt: skip
JOINS = "SET LOCAL join_collapse_limit = 11; SET LOCAL from_collapse_limit = 11"
"""So that a check of many tables begins with the few people it is narrowed to; the planner gives up at 12."""

KIN = """
WITH heads AS (SELECT coalesce(p.merged_into_id, p.id) AS id FROM screening_person p WHERE p.id = ANY(%s))
SELECT id FROM heads UNION SELECT p.id FROM screening_person p WHERE p.merged_into_id IN (SELECT id FROM heads)
UNION SELECT unnest(%s::bigint[])
"""
"""A record merged with a changed one is looked at with it."""


@dataclass(slots=True)
class Changes:
    """Whom a proof looks at again: people, kits, and tables that lost or altered rows nothing may change."""

    people: set[int]
    kits: set[int]
    torn: set[str]
    tables: dict[str, list[int]]


def changes_since(base: ProofRun) -> Changes | None:
    """What changed since a run; call inside the snapshot that will be looked at.

    None where so much changed that everybody is to be looked at, or where the rows cannot tell: after a restore into another
    server its transactions are numbered anew.
    """
    found = Changes(set(), set(), set(), {})
    with connection.cursor() as cursor:
        cursor.execute("SELECT age((%s::bigint %% 4294967296)::text::xid)", [base.horizon])
        (behind,) = cursor.fetchone()
        if behind < 0:
            return None
        for source in SOURCES:
            top, rows = base.tables.get(source.table, [0, 0])
            cursor.execute(source.rows_sql, {"behind": behind, "top": top})
            keys, old_rows, now_top, now_rows = cursor.fetchone()
            found.tables[source.table] = [now_top, now_rows]
            if keys and len(keys) > MOST:
                return None
            altered = any(key <= top for key in keys or ())
            if old_rows < rows or (altered and (source.append_only or source.policy)):
                found.torn.add(source.table)
            if source.policy and now_top > top:
                found.torn.add(source.table)
            if keys:
                cursor.execute(source.whom_sql, {"keys": keys})
                people, kits = cursor.fetchone()
                found.people.update(person for person in people if person is not None)
                found.kits.update(kit for kit in kits if kit is not None)
        cursor.execute(KIN, [list(found.people), list(found.people)])
        found.people.update(person for (person,) in cursor.fetchall())
    return found


def prove_changed(*, by: User) -> ProofRun:
    """Prove what changed since the last run; everything where there was none, or where most of it changed."""
    base = proof_latest()
    if base is None or base.horizon is None:
        return prove(by=by)
    began = perf_counter()
    with snapshot(read_only=True):
        with connection.cursor() as cursor:
            cursor.execute(STEADY)
            cursor.execute(JOINS)
        changes = changes_since(base)
        found = _found(base, changes) if changes is not None and len(changes.people) <= MOST else None
        horizon = horizon_now()
    if found is None or changes is None:
        return prove(by=by)
    seen = Seen(
        ProofRun.Kind.CHANGED, clock.now(), perf_counter() - began, found, [], [], horizon, changes.tables
    )
    with acting(by, reason="proof of what changed"):
        return kept(seen, by=by)


def _found(base: ProofRun, changes: Changes) -> list[Found]:
    params = check_params(clock.today()) | {
        "of_person": sorted(changes.people), "of_kit": sorted(changes.kits),
    }  # fmt: skip
    another_day = clock.local_day(base.started_at) != clock.today()
    before = {result.check_name: result for result in base.results.all()}
    found, alarmed = [], False
    for check in sorted(CHECKS.values(), key=lambda one: one.name in WHOLE):
        old = before.get(check.name)
        if check.name in WHOLE:
            whole = old is None or bool(changes.torn) or alarmed or old.seconds < A_MOMENT
            found.append(check_run(check, params) if whole else _carried(check, old))
            continue
        if old is None or _whole_again(check, old, changes, another_day):
            one = check_run(check, params)
        else:
            one = _joined(check_run(check, params, narrow=True), old, changes)
        alarmed = alarmed or bool(one.violating and check.name == "L1")
        found.append(one)
    order = list(CHECKS)
    return sorted(found, key=lambda one: order.index(one.check.name))


def _carried(check: Check, old: ProofResult | None) -> Found:
    offenders = old.offenders if old else []
    return Found(check, 0, old.violating if old else 0, None, offenders, old.seconds if old else 0.0)


def _whole_again(check: Check, old: ProofResult, changes: Changes, another_day: bool) -> bool:
    """Whether narrowing would not tell the truth: by time alone, by a torn table, or by more offenders than were kept."""
    statement = check.offenders_sql
    if not check.can_narrow or (another_day and any(day in statement for day in TIMED)):
        return True
    if any(table in statement for table in changes.torn):
        return True
    return old.violating > SAMPLE_SIZE or any(row["person_id"] is None for row in old.offenders)


def _joined(new: Found, old: ProofResult, changes: Changes) -> Found:
    """What was found now, and what was found before about people of whom nothing changed."""
    stay = [row for row in old.offenders if row["person_id"] not in changes.people]
    offenders: list[Mapping[str, Any]] = [*stay, *new.offenders]
    days = [row["since"] for row in offenders if row["since"]]
    oldest = min(days) if days else None
    return Found(
        new.check, new.checked, len(stay) + new.violating, _day(oldest), offenders[:SAMPLE_SIZE], new.seconds
    )


def _day(text: Any) -> Any:
    return date.fromisoformat(text) if isinstance(text, str) else text
