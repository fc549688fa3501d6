"""One transaction in which every query sees the same moment."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection, transaction


@contextmanager
def snapshot(*, read_only: bool = False) -> Iterator[None]:
    """REPEATABLE READ, and READ ONLY where asked; inside a caller's transaction, that one's view."""
    outermost = not connection.in_atomic_block
    with transaction.atomic():
        if outermost:
            with connection.cursor() as cursor:
                cursor.execute(
                    f"SET TRANSACTION ISOLATION LEVEL REPEATABLE READ{' READ ONLY' if read_only else ''}"
                )
        yield


def lock_taken(name: str) -> bool:
    """Take a lock of that name until the end of the transaction; False when somebody else holds it."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(hashtextextended(%s, 726))", [name])
        return bool(cursor.fetchone()[0])
