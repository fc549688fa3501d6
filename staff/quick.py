"""A statement that is planned once a connection: for the few that run with every scan, where planning cost most."""

import re
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import lru_cache
from typing import Any, cast

import psycopg
from django.db import connection

_PARAMETER = re.compile(r"%(?:\((\w+)\)s|%)")


@lru_cache(maxsize=32)
def _numbered(statement: str) -> tuple[bytes, tuple[str, ...]]:
    """The statement with its parameters by number, as the server takes it, and their names in that order."""
    names: dict[str, int] = {}

    def number(found: re.Match[str]) -> str:
        name = found[1]
        return f"${names.setdefault(name, len(names) + 1)}" if name else "%"

    return _PARAMETER.sub(number, statement).encode(), tuple(names)


@contextmanager
def prepared(statement: str, params: Mapping[str, Any]) -> Iterator[psycopg.Cursor[Any]]:
    """Run a statement as a server-side prepared one in Django's own connection and transaction.

    Errors arrive as Django's. The text must be the same each time; values travel as typed parameters, so write
    `%(x)s::jsonb` where the type does not follow from its place.
    """
    connection.ensure_connection()
    raw: psycopg.Connection[Any] = connection.connection
    before, raw.prepare_threshold = (
        raw.prepare_threshold,
        0,
    )  # Django switches preparing off for its own cursors
    text, names = _numbered(statement)
    try:
        with connection.wrap_database_errors, psycopg.RawCursor(raw) as cursor:
            cursor.execute(text, [params[name] for name in names], prepare=True)
            yield cursor
    finally:
        raw.prepare_threshold = before


def sent_together() -> AbstractContextManager[object]:
    """Statements inside go to the server without waiting for an answer until one is read: fewer ways to and fro.

    Entered inside the transaction and left after it, it lets a statement whose answer nobody reads travel with the
    commit, and its error arrives there. Only for statements of `prepared`: the row counts that models go by are not
    known in time. Inside another transaction it does nothing.
    """
    raw: psycopg.Connection[Any] = connection.connection
    return nullcontext() if raw is None or connection.savepoint_ids else raw.pipeline()


def lean_check() -> None:
    """Let this request's first statement be the check of a kept connection, in place of one more round trip.

    Whoever calls this must be ready for that statement to fail on a connection that has died.
    """
    if connection.connection is not None:
        cast(Any, connection).health_check_done = True
