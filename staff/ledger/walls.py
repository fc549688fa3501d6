"""Builds the walls after each migration: functions, triggers, the machines' rows and the application role's rights."""

from typing import Any

from django.apps import apps
from django.conf import settings
from django.db import connections
from django.db.backends.utils import CursorWrapper
from django.db.models import Model

from staff import clock
from staff.ledger import sql
from staff.ledger.machine import Kind
from staff.ledger.registry import Ledger, walls
from staff.models.ledger import LedgerState, LedgerTransition, Subject


def build_walls(*, using: str = "default", **_: Any) -> None:
    """Install or refresh everything; called by post_migrate of the topmost app, as owner."""
    with connections[using].cursor() as cursor:
        _write_machines(using)
        cursor.execute(sql.FUNCTIONS)
        cursor.execute(sql.MONTHS)
        ensure_months(cursor)
        for ledger in walls:
            cursor.execute(
                sql.ledger_sql(
                    move=ledger.move_table,
                    subject=ledger.subject_table,
                    machine=ledger.machine.name,
                    carried=ledger.subject.CARRIED,
                )
            )
            cursor.execute(sql.APPEND_ONLY.format(table=ledger.move_table))
        for model in walls.append_only:
            cursor.execute(sql.APPEND_ONLY.format(table=model._meta.db_table))
        for feed in walls.feeds.values():
            cursor.execute(
                sql.FEED.format(name=feed.name, function=f"feed_{feed.name}", table=feed.table, sql=feed.sql)
            )
        for statement in walls.extra_sql.values():
            cursor.execute(statement)
        _steady_history(cursor)
        _grant(cursor)


MONTHLY = ("staff_accessentry", "results_inboxline")


def ensure_months(cursor: CursorWrapper, *, behind: int = 9, ahead: int = 3) -> None:
    """Partitions of the monthly tables around today; rows of a month without one go to the default partition."""
    first = clock.today().replace(day=1)
    for parent in MONTHLY:
        cursor.execute(
            "SELECT roundbook_ensure_month(%s, (%s + make_interval(months => n))::date)"
            " FROM generate_series(%s, %s) n",
            [parent, first, -behind, ahead],
        )


def machine_rows() -> tuple[set[tuple[str, str, str, str]], set[tuple[str, str, bool, bool]]]:
    """The transitions and states the code knows, as the rows the triggers read."""
    transitions = {
        (ledger.machine.name, step.event, step.source, step.target)
        for ledger in walls
        for step in ledger.machine.steps
    }
    states = {
        (ledger.machine.name, state, kind is Kind.OPEN, kind is Kind.CLOSED)
        for ledger in walls
        for state, kind in ledger.machine.states.items()
    }
    return transitions, states


def _write_machines(using: str) -> None:
    transitions, states = machine_rows()
    known_t = LedgerTransition.objects.using(using)
    if set(known_t.values_list("machine", "event", "from_state", "to_state")) != transitions:
        known_t.all().delete()
        known_t.bulk_create(
            LedgerTransition(machine=m, event=e, from_state=f, to_state=t)
            for m, e, f, t in sorted(transitions)
        )
    known_s = LedgerState.objects.using(using)
    if set(known_s.values_list("machine", "state", "is_open", "is_closed")) != states:
        known_s.all().delete()
        known_s.bulk_create(
            LedgerState(machine=m, state=s, is_open=o, is_closed=c) for m, s, o, c in sorted(states)
        )


def changeable_columns(model: type[Model]) -> list[str]:
    """The columns of a subject's or guarded table that the application role may update."""
    columns = [str(f.column) for f in model._meta.local_concrete_fields if not f.primary_key]
    if model in walls.guarded:
        return [c for c in columns if c in walls.guarded[model]]
    fixed = Subject.PROJECTED + (model.CARRIED if issubclass(model, Subject) else ())
    return [c for c in columns if c not in fixed]


def _grant(cursor: CursorWrapper) -> None:
    role = connections["default"].ops.quote_name(settings.APP_ROLE)
    cursor.execute(f"GRANT USAGE ON SCHEMA public TO {role}")
    cursor.execute(f"GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO {role}")
    cursor.execute(f"GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {role}")
    locked = ["django_migrations", LedgerTransition._meta.db_table, LedgerState._meta.db_table]
    for table in locked:
        cursor.execute(f"REVOKE INSERT, UPDATE, DELETE, TRUNCATE ON {table} FROM {role}")
    for ledger in walls:
        cursor.execute(f"REVOKE UPDATE, DELETE, TRUNCATE ON {ledger.move_table} FROM {role}")
        _guard(cursor, role, ledger.subject)
    for model in [*walls.append_only, *_history_models()]:
        cursor.execute(f"REVOKE UPDATE, DELETE, TRUNCATE ON {model._meta.db_table} FROM {role}")
    for model in walls.guarded:
        _guard(cursor, role, model)
    cursor.execute(
        "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent::regclass::text = ANY(%s)",
        [list(MONTHLY)],
    )
    for (partition,) in cursor.fetchall():
        cursor.execute(f"REVOKE ALL ON {partition} FROM {role}")


HISTORY_FUNCTIONS = """
SELECT DISTINCT t.tgfoid::regprocedure::text FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid
WHERE t.tgoldtable IS NOT NULL AND t.tgnewtable IS NOT NULL AND p.proname LIKE 'pgtrigger%%'
"""


def _steady_history(cursor: CursorWrapper) -> None:
    """Keep the history triggers from nested loops.

    They join old and new rows by key, and a session keeps the plan of its first statement: after a change of one row,
    a change of half a million would compare every row with every other. A hash join is right for both, also inside a
    statement that itself joins row by row.
    """
    cursor.execute(HISTORY_FUNCTIONS)
    for (function,) in cursor.fetchall():
        cursor.execute(f"ALTER FUNCTION {function} SET enable_nestloop = off")
        cursor.execute(f"ALTER FUNCTION {function} SET enable_hashjoin = on")


def _guard(cursor: CursorWrapper, role: str, model: type[Model]) -> None:
    table = model._meta.db_table
    cursor.execute(f"REVOKE UPDATE, DELETE, TRUNCATE ON {table} FROM {role}")
    columns = changeable_columns(model)
    if columns:
        cursor.execute(f"GRANT UPDATE ({', '.join(columns)}) ON {table} TO {role}")


def _history_models() -> list[type[Model]]:
    return [model for model in apps.get_models() if hasattr(model, "pgh_tracked_model")]


def ledger_for(name: str) -> Ledger:
    """The ledger of a machine by name."""
    return walls.ledgers[name]
