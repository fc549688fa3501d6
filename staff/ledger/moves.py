"""How a move is made: one at a time under a lock, or many in one INSERT…SELECT."""

from collections.abc import Mapping, Sequence
from datetime import date, time
from typing import Any

from django.db import connection

from staff.ledger.registry import Ledger, ledger_of
from staff.models.ledger import Move, Subject
from staff.models.users import User


def make_move(
    subject: Subject,
    event: str,
    *,
    due_on: date | None = None,
    due_time: time | None = None,
    owner: User | None = None,
    pool: str = "",
    reason: str = "",
    note: str = "",
    rule: str = "",
) -> Move:
    """Lock the thing, look the event up, append the move, and refresh the thing's projected columns.

    Must run inside `acting(...)`. Raises IllegalMove when the table does not allow it.
    """
    ledger = ledger_of(subject)
    locked = (
        ledger.subject._default_manager.select_for_update(of=("self",))
        .only("state", "last_seq")
        .get(pk=subject.pk)
    )
    step = ledger.machine.step(locked.state, event)
    facts: dict[str, Any] = {"subject_id": subject.pk}
    move = ledger.move(
        **facts,
        seq=locked.last_seq + 1,
        event=event,
        from_state=locked.state,
        to_state=step.target,
        due_on=due_on,
        due_time=due_time,
        owner=owner,
        pool=pool,
        reason=reason,
        note=note,
        rule=rule,
    )
    move.save()
    subject.refresh_from_db(fields=_projected_fields())
    return move


def _projected_fields() -> list[str]:
    return ["owner" if c == "owner_id" else c for c in Subject.PROJECTED]


COLUMNS = ("due_on", "due_time", "owner_id", "pool", "reason", "note", "rule")
_EMPTY = {"due_on": "NULL::date", "due_time": "NULL::time", "owner_id": "NULL::bigint"}


def moves_sql(ledger: Ledger, event: str, *, source: str, values: Mapping[str, str] | None = None) -> str:
    """The INSERT…SELECT that makes one event happen to many things.

    `source` is SQL giving rows with a column `id` (the things) and whatever `values` refer to as `w.…`;
    `values` maps move columns to SQL expressions. Things in a state that does not know the event are left alone:
    the caller compares the row count with what it expected. Rows are locked in id order.
    """
    values = values or {}
    unknown = set(values) - set(COLUMNS)
    if unknown:
        raise ValueError(f"Unknown move columns: {sorted(unknown)}")
    chosen = ", ".join(values.get(column, _EMPTY.get(column, "''")) for column in COLUMNS)
    return (
        f"INSERT INTO {ledger.move_table} (subject_id, seq, event, from_state, to_state, {', '.join(COLUMNS)}) "
        f"SELECT s.id, s.last_seq + 1, t.event, s.state, t.to_state, {chosen} "
        f"FROM ({source}) w JOIN {ledger.subject_table} s ON s.id = w.id "
        f"JOIN staff_ledgertransition t ON t.machine = '{ledger.machine.name}' AND t.event = '{event}' "
        f"AND t.from_state = s.state ORDER BY s.id FOR UPDATE OF s"
    )


def make_moves(
    ledger: Ledger,
    event: str,
    *,
    source: str,
    params: Sequence[Any] | Mapping[str, Any] = (),
    values: Mapping[str, str] | None = None,
) -> int:
    """Run `moves_sql` and return how many moves were made. Must run inside `acting(...)`."""
    if event not in ledger.machine.event_names:
        raise ValueError(f"{ledger.machine.name} knows no event {event}")
    with connection.cursor() as cursor:
        cursor.execute(moves_sql(ledger, event, source=source, values=values), params)
        return int(cursor.rowcount)
