"""How a test damages a healthy database behind the application's back, and takes it back."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from django.db import connection, transaction


@dataclass(frozen=True)
class Damage:
    """What is done, the check it is for, and the other checks that must fire with it."""

    check: str
    do: Callable[[], None]
    besides: frozenset[str] = frozenset()

    @property
    def name(self) -> str:
        return f"{self.check}-{self.do.__name__}"


@contextmanager
def undone() -> Iterator[None]:
    """What happens inside leaves no trace."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def run(statement: str, *params: object) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        assert cursor.rowcount != 0, f"the region holds nothing to damage: {statement}"


def one(statement: str, *params: object) -> int:
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        row = cursor.fetchone()
    assert row is not None, f"the region holds nothing to damage: {statement}"
    return int(row[0])


def off(*tables: str) -> None:
    """Switch the triggers of some tables off, until the transaction is rolled back."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")


def both(table: str, moves: str, pk: int, change: str) -> None:
    """The same change in a thing's row and in its last move, so that the two still agree."""
    off(table, moves)
    run(f"UPDATE {table} SET {change} WHERE id = %s", pk)
    run(
        f"UPDATE {moves} SET {change} WHERE subject_id = %s"
        f" AND seq = (SELECT last_seq FROM {table} WHERE id = %s)", pk, pk,
    )  # fmt: skip
