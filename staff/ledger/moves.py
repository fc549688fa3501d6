"""How a move is made: one at a time under a lock, or many in one INSERT…SELECT."""

from collections.abc import Mapping, Sequence
from datetime import date, time
from typing import Any, cast

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
    **carried: Any,
) -> Move:
    """Lock the thing, look the event up, append the move, and refresh the thing's projected columns.

    `carried` names columns that the move sets besides (the thing's `CARRIED`).
    Must run inside `acting(...)`. Raises IllegalMove when the table does not allow it.
    """
    ledger = ledger_of(subject)
    usual = (due_on, due_time, None if owner is None else owner.pk, pool, reason, note, rule)
    given = dict(zip(COLUMNS, usual, strict=True)) | carried
    projected = Subject.PROJECTED + subject.CARRIED
    with connection.cursor() as cursor:
        row = _inserted(cursor, ledger, subject.pk, event, given)
        if row is None:
            cursor.execute(
                f"SELECT state FROM {ledger.subject_table} WHERE id = %s FOR NO KEY UPDATE", [subject.pk]
            )
            found = cursor.fetchone()
            if found is None:
                raise ledger.subject.DoesNotExist(f"{ledger.subject_table} {subject.pk}")
            ledger.machine.step(found[0], event)
            # Somebody moved it while we waited for the lock, and from where it stands now the event may happen.
            row = _inserted(cursor, ledger, subject.pk, event, given)
            if row is None:
                raise RuntimeError(f"The database's table of {ledger.machine.name} lacks {event}: migrate.")
        cursor.execute(
            f"SELECT {', '.join(projected)} FROM {ledger.subject_table} WHERE id = %s", [subject.pk]
        )
        for column, value in zip(projected, cursor.fetchone(), strict=True):
            setattr(subject, column, value)
    return ledger.move.from_db(connection.alias, _names(ledger), row)


def _inserted(
    cursor: Any, ledger: Ledger, subject_id: int, event: str, given: Mapping[str, Any]
) -> tuple[Any, ...] | None:
    """Append the move if the table allows it from the state the locked thing is in; returns the whole row."""
    marks = {column: _MARKS.get(column, "%s") for column in given}
    statement = moves_sql(ledger, event, source="SELECT %s::bigint AS id", values=marks)
    cursor.execute(f"{statement} RETURNING {', '.join(_names(ledger))}", [*given.values(), subject_id])
    return cast("tuple[Any, ...] | None", cursor.fetchone())


def _names(ledger: Ledger) -> list[str]:
    return [field.attname for field in ledger.move._meta.concrete_fields]


COLUMNS = ("due_on", "due_time", "owner_id", "pool", "reason", "note", "rule")
_MARKS = {"due_on": "%s::date", "due_time": "%s::time", "owner_id": "%s::bigint"}
_EMPTY = {"due_on": "NULL::date", "due_time": "NULL::time", "owner_id": "NULL::bigint"}


def moves_sql(ledger: Ledger, event: str, *, source: str, values: Mapping[str, str] | None = None) -> str:
    """The INSERT…SELECT that makes one event happen to many things.

    `source` is SQL giving rows with a column `id` (the things) and whatever `values` refer to as `w.…`;
    `values` maps move columns to SQL expressions. Things in a state that does not know the event are left alone:
    the caller compares the row count with what it expected. Rows are locked in id order, and not against rows that
    merely refer to them (NO KEY): a letter may be written about a referral while somebody works on it.
    """
    values = values or {}
    carried = [column for column in ledger.subject.CARRIED if column in values]
    unknown = set(values) - set(COLUMNS) - set(carried)
    if unknown:
        raise ValueError(f"Unknown move columns: {sorted(unknown)}")
    columns = [*COLUMNS, *carried]
    chosen = ", ".join(values.get(column, _EMPTY.get(column, "''")) for column in columns)
    return (
        f"INSERT INTO {ledger.move_table} (subject_id, seq, event, from_state, to_state, {', '.join(columns)}) "
        f"SELECT s.id, s.last_seq + 1, t.event, s.state, t.to_state, {chosen} "
        f"FROM ({source}) w JOIN {ledger.subject_table} s ON s.id = w.id "
        f"JOIN staff_ledgertransition t ON t.machine = '{ledger.machine.name}' AND t.event = '{event}' "
        f"AND t.from_state = s.state ORDER BY s.id FOR NO KEY UPDATE OF s"
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
