"""Seals the rows of a night into the chain, part by part."""

import hashlib
from datetime import date
from time import perf_counter
from typing import Any

from django.db import connection
from django.db.models import Max, Sum

from oversight.models import Seal
from oversight.seal import sql
from oversight.seal.tables import Sealed, SealedTable, sealed_tables
from oversight.services.seal_told import (
    blocks_of,
    digest_of,
    row_of,
    seal_last,
    signature_of,
    steady,
    tables_of,
    xmax_of,
)
from oversight.services.seal_verify import differing, has_columns
from oversight.services.snapshot import lock_taken, snapshot
from staff.acting import acting
from staff.models import User

PART_ROWS = 1_000_000
"""Rows sealed in one transaction. A registry with years of history gets its first seal in many; a night needs one."""


def seal_night(
    *, by: User, day: date, part_rows: int = PART_ROWS, seconds: float | None = None
) -> Seal | None:
    """Seal every row of a sealed table that no seal covers yet; None when the day has its seal. Safe to run twice.

    Rows are covered by membership: those above the highest sealed number, and those whose number was missing then because
    their transaction was still being written. Each part is a seal of its own, in one transaction and one snapshot, chained to
    the one before; killed between two parts, the next call goes on from the last one. With `seconds` no part is begun after
    so many, and the rest is left to the next call. Returns the last part made.
    """
    began, made = perf_counter(), None
    while seconds is None or made is None or perf_counter() - began < seconds:
        part = _seal_part(by, day, part_rows)
        if part is None:
            break
        made = part
        if part.whole:
            break
    return made


def day_sealed(day: date) -> tuple[int, float]:
    """How many rows the seals of a day cover, over all its parts, and how many seconds they took."""
    found = Seal.objects.filter(day=day).aggregate(rows=Sum("rows"), seconds=Sum("seconds"))
    return found["rows"] or 0, found["seconds"] or 0.0


def _seal_part(by: User, day: date, part_rows: int) -> Seal | None:
    """Make the next part of a day's seal; None when the day is sealed, or another worker is at it."""
    if Seal.objects.filter(day=day, whole=True).exists():
        return None
    began = perf_counter()
    with snapshot(), acting(by, reason="seal") as frame:
        (seen,) = row_of("SELECT pg_current_snapshot()::text")
        if not lock_taken("seal") or Seal.objects.filter(day=day, whole=True).exists():
            return None
        steady()
        last = seal_last()
        parts = Seal.objects.filter(day=day).aggregate(n=Max("part"))["n"] or 0
        seal = Seal(
            day=day, part=parts + 1, made_at=frame.now, snapshot=seen, before=last.digest if last else ""
        )
        (seal.pk,) = row_of("SELECT nextval(pg_get_serial_sequence('oversight_seal', 'id'))")
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        seal.tables, seal.whole = _seal_tables(seal, last, part_rows)
        seal.rows = sum(one["rows"] for one in seal.tables.values())
        seal.digest = digest_of(seal)
        seal.signature = signature_of(seal.digest)
        seal.seconds = perf_counter() - began
        seal.save(force_insert=True)
    return seal


def _seal_tables(seal: Seal, last: Seal | None, part_rows: int) -> tuple[dict[str, Any], bool]:
    """Write the blocks of a part, table by table until it is full; returns what it says of each, and whether all is sealed."""
    told, left = dict[str, Any](), part_rows
    known = {table.name: (table, sealed) for table, sealed in tables_of(last)} if last else {}
    for table in sealed_tables():
        was, sealed = known.get(table.name, (table, None))
        if sealed is None or (was.columns != table.columns and _begun_anew(was, sealed)):
            was, sealed = table, Sealed(seal.pk, 0, (), False, xmax_of(seal), seal.made_at)
        told[table.name] = one = _seal_table(was, sealed, seal, left)
        left -= one["rows"]
    blocks = {name: (rows, digest) for _seal, name, rows, digest in blocks_of(seal.pk)}
    for name, one in told.items():
        one["rows"], one["blocks"] = blocks.get(name, (0, hashlib.sha256().hexdigest()))
    return told, all(one["whole"] for one in told.values())


def _begun_anew(was: SealedTable, sealed: Sealed) -> bool:
    """Whether a table whose columns changed may be sealed from the beginning again, by its new columns.

    Not while a row differs from what was sealed by the old ones: that would hide it.
    """
    return not has_columns(was) or next(differing(was, sealed), None) is None


def _seal_table(table: SealedTable, sealed: Sealed, seal: Seal, left: int) -> dict[str, Any]:
    """Write the blocks of at most `left` rows of one table; returns what the seal says of it."""
    new, upto, gaps = row_of(sql.reach_sql(table, sealed, left + 1)) if left > 0 else (1, sealed.upto, "{}")
    whole = new <= left
    if not whole and left > 0:
        new, upto, gaps = row_of(sql.reach_sql(table, sealed, left))
    if (new and left > 0) or sealed.missing or not table.in_order:
        with connection.cursor() as cursor:
            cursor.execute(sql.seal_sql(table, sealed, upto), {"seal": seal.pk})
    missing = sealed.still_missing(int(seal.snapshot.split(":")[0]))
    if gaps != "{}" and table.in_order:
        missing.append((xmax_of(seal), gaps))
    return {
        "columns": list(table.columns), "since": sealed.since, "rows": new if left > 0 else 0, "upto": upto,
        "missing": [list(one) for one in missing], "whole": whole,
    }  # fmt: skip
