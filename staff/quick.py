"""A statement that is planned once a connection: for the few that run with every scan, where planning cost most."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import psycopg
from django.db import connection


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
    try:
        with connection.wrap_database_errors, psycopg.Cursor(raw) as cursor:
            cursor.execute(statement.encode(), params, prepare=True)
            yield cursor
    finally:
        raw.prepare_threshold = before
