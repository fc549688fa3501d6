"""Verifies the chain of seals, and every sealed row against its seal."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date

from django.db import connection

from oversight.models import Seal
from oversight.seal import sql
from oversight.seal.tables import Sealed, SealedTable
from oversight.services.seal_told import blocks_of, digest_of, signed_by_us, tables_of


@dataclass(frozen=True, slots=True)
class Broken:
    """One thing that does not verify: a row by table and number, or a seal."""

    day: date
    table: str
    id: int
    how: str

    def __str__(self) -> str:
        return f"{self.table} {self.id}: {self.how} (sealed on {self.day})"


def seals_verify(*, only: Collection[str] = ()) -> Iterator[Broken]:
    """Everything that does not verify: the chain and its signatures first, then rows, those of the earliest seal first.

    Blocks are compared range by range; a range that differs is compared row by row, when its turn comes: so a whole table
    that was emptied is told without holding it in memory. `only` names the tables to look at.
    """
    seals = list(Seal.objects.order_by("pk"))
    yield from _chain(seals)
    if not seals:
        return
    days = {seal.pk: seal.day for seal in seals}
    tables = {t.name: (t, sealed) for t, sealed in tables_of(seals[-1]) if not only or t.name in only}
    odd = [(seal, name, first, forged) for name, one in tables.items() for first, seal, forged in _odd(*one)]
    for seal, name, first, forged in sorted(odd):
        rows = [(at or seal, pk, how) for pk, at, how in _members(*tables[name], first)]
        if forged and not rows:
            rows = [(seal, first, "marks forged")]
        yield from (Broken(days[at], name, pk, how) for at, pk, how in sorted(rows))
    for table, sealed in tables.values():
        yield from (Broken(seals[-1].day, table.name, pk, "inserted") for pk in _inserted(table, sealed))


def differing(table: SealedTable, sealed: Sealed) -> Iterator[int]:
    """Rows of a table that are not as they were sealed, by number."""
    for first, _seal, forged in _odd(table, sealed):
        found = [pk for pk, _at, _how in _members(table, sealed, first)]
        yield from found or ([first] if forged else [])
    yield from _inserted(table, sealed)


def has_columns(table: SealedTable) -> bool:
    """Whether a table still has all these columns."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = %s", [table.name]
        )
        return set(table.columns) <= {name for (name,) in cursor.fetchall()}


def _chain(seals: list[Seal]) -> Iterator[Broken]:
    before = ""
    blocks: dict[int, dict[str, str]] = {}
    for pk, name, _rows, digest in blocks_of():
        blocks.setdefault(pk, {})[name] = digest
    for seal in seals:
        said = {name: one["blocks"] for name, one in seal.tables.items() if one["rows"]}
        if seal.before != before or seal.digest != digest_of(seal) or blocks.get(seal.pk, {}) != said:
            yield Broken(seal.day, "oversight_seal", seal.pk, "altered")
        elif not signed_by_us(seal.signature, seal.digest):
            yield Broken(seal.day, "oversight_seal", seal.pk, "signed with another key")
        before = seal.digest


def _odd(table: SealedTable, sealed: Sealed) -> list[tuple[int, int, bool]]:
    """The ranges that differ: first number, earliest seal, and whether a mark was forged."""
    with connection.cursor() as cursor:
        cursor.execute(sql.odd_blocks_sql(table, sealed))
        return [(first, seal, forged) for first, seal, forged, _more in cursor.fetchall()]


def _members(table: SealedTable, sealed: Sealed, first: int) -> list[tuple[int, int | None, str]]:
    """The rows of a range that differ: number, seal where a seal knows it, and how."""
    with connection.cursor() as cursor:
        cursor.execute(sql.members_sql(table, sealed, str(first)))
        return [(pk, at, how) for pk, at, how in cursor.fetchall()]


def _inserted(table: SealedTable, sealed: Sealed) -> Iterator[int]:
    """Rows that no seal knows though their number or their own day says that they were there."""
    for statement in (sql.strangers_sql(table, sealed), sql.backdated_sql(table, sealed)):
        if statement:
            with connection.cursor() as cursor:
                cursor.execute(statement)
                while rows := cursor.fetchmany(1000):
                    yield from (pk for (pk,) in rows)
