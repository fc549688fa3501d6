"""What a seal says: how far each table is sealed, its digest and signature, and which rows aged out since."""

import hashlib
import hmac
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from django.conf import settings
from django.db import connection
from django.utils.crypto import salted_hmac

from oversight.models import AgedOut, Seal
from oversight.seal import sql
from oversight.seal.tables import Sealed, SealedTable, missing_of, sealed_tables

SALT = "oversight.seal"


def row_of(statement: str, params: Mapping[str, Any] | None = None) -> tuple[Any, ...]:
    """The one row of a statement."""
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        return tuple(cursor.fetchone())


def steady() -> None:
    """Let the text of a row be the same in every session, until the end of the transaction; and plans go along the keys."""
    with connection.cursor() as cursor:
        cursor.execute(sql.STEADY)


def xmax_of(seal: Seal) -> int:
    """The first transaction that had not begun when a seal was made."""
    return int(seal.snapshot.split(":")[1])


def sealed_of(seal: Seal, table: SealedTable, aged_out: Mapping[str, str] | None = None) -> Sealed:
    """How far a table is sealed by a seal and those before it."""
    told = seal.tables[table.name]
    missing = told.get("missing")
    if missing is None:  # a seal made before numbers were kept as ranges
        missing = (
            [[xmax_of(seal), "{" + ",".join(f"[{n},{n + 1})" for n in told["gaps"]) + "}"]]
            if told["gaps"]
            else []
        )
    return Sealed(
        since=told.get("since", 0),
        upto=told["upto"],
        missing=missing_of(missing),
        whole=told.get("whole", True),
        xmax=xmax_of(seal),
        made_at=seal.made_at,
        aged_out=(aged_out or {}).get(table.name, "{}"),
    )


def tables_of(seal: Seal) -> Iterator[tuple[SealedTable, Sealed]]:
    """The tables of a seal, with the columns it knew and how far each is sealed: a column that came later is in no digest."""
    aged_out = aged_out_ids()
    for table in sealed_tables():
        if table.name in seal.tables:
            known = replace(table, columns=tuple(seal.tables[table.name]["columns"]))
            yield known, sealed_of(seal, table, aged_out)


def blocks_of(seal: int | None = None) -> Iterator[tuple[int, str, int, str]]:
    """Of one seal, or of every one: seal, table, rows, and the digest over its blocks."""
    with connection.cursor() as cursor:
        cursor.execute(sql.BLOCKS.format(which="" if seal is None else f"WHERE b.seal_id = {seal}"))
        while rows := cursor.fetchmany(1000):
            yield from ((pk, name, int(n), digest) for pk, name, n, digest in rows)


def digest_of(seal: Seal) -> str:
    """The digest of a seal: the one before, the day, which part of it, and what it says of each table."""
    told = {
        "before": seal.before,
        "day": seal.day.isoformat(),
        "snapshot": seal.snapshot,
        "tables": seal.tables,
    }
    if seal.part != 1 or not seal.whole:
        told |= {"part": seal.part, "whole": seal.whole}
    return hashlib.sha256(json.dumps(told, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def signature_of(digest: str, key: str | None = None) -> str:
    """A digest signed with the application's own key (or an earlier one), which the database does not hold."""
    return salted_hmac(SALT, digest, secret=key, algorithm="sha256").hexdigest()


def signed_by_us(signature: str, digest: str) -> bool:
    """Whether the key in use signed it, or one that was in use before."""
    keys = (None, *settings.SEAL_KEYS_BEFORE)
    return any(hmac.compare_digest(signature, signature_of(digest, key)) for key in keys)


def aged_out_ids() -> dict[str, str]:
    """The numbers of the rows of each table that were deleted after their time, where the application's key says so."""
    rows = [row for row in AgedOut.objects.order_by("pk") if signed_by_us(row.signature, row.digest())]
    found: dict[str, str] = {}
    for row in rows:
        (found[row.name],) = row_of(
            "SELECT (%(a)s::int8multirange + %(b)s::int8multirange)::text",
            {"a": found.get(row.name, "{}"), "b": row.ids},
        )
    return found


def seal_last() -> Seal | None:
    """The newest seal."""
    return Seal.objects.order_by("-pk").first()
