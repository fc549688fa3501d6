"""Tells the database's planner that a statement touches whole sets, not a few rows."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection

MANY = 200
_SET = "SET LOCAL enable_hashjoin = {0}; SET LOCAL enable_mergejoin = {0}; SET LOCAL enable_seqscan = {0}"


@contextmanager
def whole_sets(rows: int = MANY + 1) -> Iterator[None]:
    """Join by hashing inside the block when so many rows are joined; call inside a transaction.

    Rows copied in a moment ago have no statistics yet, so the planner takes them for a handful and would walk one
    set for each row of the other: minutes instead of a second for 80,000 people.
    """
    if rows <= MANY:
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_nestloop = off")
        yield
        cursor.execute("SET LOCAL enable_nestloop = on")


@contextmanager
def few_among_many() -> Iterator[None]:
    """Join row by row along the indexes inside the block; call inside a transaction.

    Few rows copied in a moment ago, among many: without statistics the planner may read the many whole.
    """
    with connection.cursor() as cursor:
        cursor.execute(_SET.format("off"))
        yield
        cursor.execute(_SET.format("on"))
