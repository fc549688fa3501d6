"""Seals the rows of a night into the chain, and verifies the chain against the rows as they are."""

import hashlib
import hmac
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from time import perf_counter
from typing import Any

from django.conf import settings
from django.db import connection
from django.utils.crypto import salted_hmac

from oversight.models import Seal, SealBlock
from oversight.seal import sql
from oversight.seal.tables import SealedTable, sealed_tables
from oversight.services.snapshot import lock_taken, snapshot
from staff.acting import acting
from staff.models import User

SALT = "oversight.seal"


def _row(statement: str, params: Mapping[str, Any]) -> tuple[Any, ...]:
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        return tuple(cursor.fetchone())


def seal_night(*, by: User, day: date) -> Seal | None:
    """Seal every row of a sealed table that no seal covers yet; None when the day has its seal. Safe to run twice.

    Rows are covered by membership: those above the highest sealed number, and those whose number was missing then because
    their transaction was still being written. One transaction, one snapshot.
    """
    if Seal.objects.filter(day=day).exists():
        return None
    began = perf_counter()
    with snapshot(), acting(by, reason="seal") as frame:
        with connection.cursor() as cursor:
            cursor.execute(sql.STEADY)
        if not lock_taken("seal") or Seal.objects.filter(day=day).exists():
            return None
        last = Seal.objects.order_by("-pk").first()
        (seen,) = _row("SELECT pg_current_snapshot()::text", {})
        seal = Seal(day=day, made_at=frame.now, snapshot=seen, before=last.digest if last else "")
        (seal.pk,) = _row("SELECT nextval(pg_get_serial_sequence('oversight_seal', 'id'))", {})
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        seal.tables = {table.name: _seal_table(table, seal.pk, last) for table in sealed_tables()}
        seal.rows = sum(one["rows"] for one in seal.tables.values())
        seal.digest = digest_of(seal)
        seal.signature = signature_of(seal.digest)
        seal.seconds = perf_counter() - began
        seal.save(force_insert=True)
    return seal


def _said(last: Seal | None, table: SealedTable) -> dict[str, Any]:
    found = (last.tables if last else {}).get(table.name)
    return dict(found) if found else {"upto": 0, "gaps": [], "rows": 0}


def xmax_of(seal: Seal | None) -> str:
    """The first transaction that had not begun when a seal was made."""
    return seal.snapshot.split(":")[1] if seal else "3"


def _seal_table(table: SealedTable, seal: int, last: Seal | None) -> dict[str, Any]:
    """Write the blocks of one table; returns what the seal says of it."""
    said = _said(last, table)
    params: dict[str, Any] = {"upto": said["upto"], "gaps": said["gaps"], "xmax": xmax_of(last), "seal": seal}
    late = (_row(sql.late_sql(table), params)[0] or []) if said["gaps"] else []
    new, upto, gaps = _row(sql.reach_sql(table), params)
    if new or late:
        with connection.cursor() as cursor:
            cursor.execute(sql.seal_sql(table), params | {"late": late})
    still = [gap for gap in said["gaps"] if gap not in set(late)][-1000:]
    return {
        "columns": list(table.columns), "rows": new + len(late), "upto": upto, "gaps": [*still, *gaps][-10_000:],
        "blocks": _blocks_digest(table.name, seal),
    }  # fmt: skip


def _blocks_digest(name: str, seal: int) -> str:
    """One digest over the digests of a table's blocks of one seal."""
    blocks = SealBlock.objects.filter(seal_id=seal, name=name).order_by("first")
    told = hashlib.sha256()
    for first, rows, digest in blocks.values_list("first", "rows", "digest").iterator():
        told.update(f"{first}:{rows}:".encode() + bytes(digest))
    return told.hexdigest()


def digest_of(seal: Seal) -> str:
    """The digest of a seal: the one before, the day, and what it says of each table."""
    told = {
        "before": seal.before,
        "day": seal.day.isoformat(),
        "snapshot": seal.snapshot,
        "tables": seal.tables,
    }
    return hashlib.sha256(json.dumps(told, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def signature_of(digest: str, key: str | None = None) -> str:
    """A digest signed with the application's own key (or an earlier one), which the database does not hold."""
    return salted_hmac(SALT, digest, secret=key, algorithm="sha256").hexdigest()


def _is_ours(seal: Seal) -> bool:
    """Whether the key in use signed it, or one that was in use before."""
    keys = (None, *settings.SEAL_KEYS_BEFORE)
    return any(hmac.compare_digest(seal.signature, signature_of(seal.digest, key)) for key in keys)


@dataclass(frozen=True, slots=True)
class Broken:
    """One thing that does not verify: a row by table and number, or a seal."""

    day: date
    table: str
    id: int
    how: str

    def __str__(self) -> str:
        return f"{self.table} {self.id}: {self.how} (sealed on {self.day})"


def seals_verify() -> Iterator[Broken]:
    """Everything that does not verify, the earliest seal first; the first one is the first altered row.

    The chain and its signatures come first, then each table's blocks; a range that differs is compared row by row.
    """
    seals = list(Seal.objects.order_by("pk"))
    yield from _chain(seals)
    if not seals:
        return
    found: list[tuple[int, Broken]] = []
    days = {seal.pk: seal.day for seal in seals}
    for table in _tables_sealed(seals[-1]):
        found += _verified(table, seals[-1], days)
    for _seal, broken in sorted(found, key=lambda one: (one[0], one[1].table, one[1].id)):
        yield broken


def _chain(seals: list[Seal]) -> Iterator[Broken]:
    before = ""
    for seal in seals:
        blocks = {name: _blocks_digest(name, seal.pk) for name in seal.tables}
        told = {name: said["blocks"] for name, said in seal.tables.items()}
        if seal.before != before or seal.digest != digest_of(seal) or blocks != told:
            yield Broken(seal.day, "oversight_seal", seal.pk, "altered")
        elif not _is_ours(seal):
            yield Broken(seal.day, "oversight_seal", seal.pk, "signed with another key")
        before = seal.digest


def _tables_sealed(last: Seal) -> Iterator[SealedTable]:
    """The tables of the last seal with the columns it knew: a column that came later is not in its digests."""
    for table in sealed_tables():
        if table.name in last.tables:
            yield SealedTable(table.name, table.key, tuple(last.tables[table.name]["columns"]))


def _verified(table: SealedTable, last: Seal, days: Mapping[int, date]) -> list[tuple[int, Broken]]:
    said = _said(last, table)
    params = {"upto": said["upto"], "gaps": said["gaps"], "xmax": xmax_of(last), "made_at": last.made_at}
    found: list[tuple[int, Broken]] = []

    def note(seal: int | None, pk: int, how: str) -> None:
        at = seal if seal is not None else last.pk
        found.append((at, Broken(days.get(at, last.day), table.name, pk, how)))

    with connection.cursor() as cursor:
        cursor.execute(sql.odd_blocks_sql(table, "true").replace("{only}", ""), params)
        for first, seal, forged, _more in cursor.fetchall():
            cursor.execute(sql.members_sql(table), params | {"first": first})
            rows = cursor.fetchall()
            for pk, at, how in rows:
                note(at if at is not None else seal, pk, how)
            if forged and not rows:
                note(seal, first, "marks forged")
        for statement in (sql.strangers_sql(table), sql.backdated_sql(table)):
            if statement:
                cursor.execute(statement, params)
                (pk,) = cursor.fetchone()
                if pk is not None and pk not in said["gaps"]:
                    note(None, pk, "inserted")
    return found


def seal_last() -> Seal | None:
    """The newest seal."""
    return Seal.objects.order_by("-pk").first()
