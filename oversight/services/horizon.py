"""What a look at the database has to remember so that the next one can tell what changed."""

from django.db import connection

from oversight.services.changed_sql import SOURCES


def horizon_now() -> int:
    """The oldest transaction still open: whatever it or a later one writes counts as changed next time."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_snapshot_xmin(pg_current_snapshot())::text::bigint")
        return int(cursor.fetchone()[0])


def tables_now() -> dict[str, list[int]]:
    """Of each watched table its highest number and how many rows it holds."""
    statement = " UNION ALL ".join(
        f"SELECT '{s.table}', coalesce(max({s.key}), 0), count(*) FROM {s.table}" for s in SOURCES
    )
    with connection.cursor() as cursor:
        cursor.execute(statement)
        return {name: [top, rows] for name, top, rows in cursor.fetchall()}
