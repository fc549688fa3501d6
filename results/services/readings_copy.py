"""Writing many rows with one COPY, inside the caller's transaction."""

from collections.abc import Iterable, Sequence

from django.db import connection


def copy_rows(table: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> int:
    """Write rows into a table; errors of the database come as Django's. Returns how many were sent."""
    sent = 0
    statement = f"COPY {table} ({', '.join(columns)}) FROM STDIN"
    with connection.wrap_database_errors, connection.cursor() as cursor, cursor.copy(statement) as copy:
        for row in rows:
            copy.write_row(row)
            sent += 1
    return sent
