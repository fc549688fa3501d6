"""Which tables are sealed, by which columns: every ledger, history, append-only table, and what may not change of guarded ones."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.apps import apps
from django.db import models

from staff.ledger.registry import walls

LEFT_OUT = frozenset({"oversight_seal", "oversight_sealblock"})
"""The seals themselves: the chain covers them."""


@dataclass(frozen=True, slots=True)
class SealedTable:
    """A table, its number column, and the columns whose text is digested, in this order.

    Numbers come in order where the table gives them itself; a row keyed by another table's number may come at any time.
    """

    name: str
    key: str
    columns: tuple[str, ...]
    in_order: bool = True


@dataclass(frozen=True, slots=True)
class Sealed:
    """How far a table is sealed, as the last seal says.

    since     the seal that began with these columns; blocks of earlier ones were digested otherwise
    upto      the highest number sealed
    missing   (xmax, ids): numbers below `upto` that were not there, and the first transaction that had not begun then;
              a row with such a number came late if its transaction had begun, and was put in otherwise
    whole     whether every row there was when the last seal was made is sealed
    xmax      the first transaction that had not begun when the last seal was made, at `made_at`
    aged_out  numbers of rows deleted after their time, as a multirange
    """

    since: int
    upto: int
    missing: tuple[tuple[int, str], ...]
    whole: bool
    xmax: int
    made_at: datetime
    aged_out: str = "{}"

    def still_missing(self, oldest: int) -> list[tuple[int, str]]:
        """What may still come late: what was missing while a transaction ran that may still run (`oldest` is the first)."""
        return [(xmax, ids) for xmax, ids in self.missing if oldest < xmax]

    def with_aged_out(self, ids: str) -> "Sealed":
        """The same, with rows that aged out."""
        return replace(self, aged_out=ids)


def missing_of(told: Sequence[Sequence[Any]]) -> tuple[tuple[int, str], ...]:
    """The missing numbers as a seal keeps them."""
    return tuple((int(xmax), str(ids)) for xmax, ids in told)


def sealed_tables() -> Iterator[SealedTable]:
    """Every sealed table in the order of its name."""
    found: dict[str, SealedTable] = {}
    for ledger in walls:
        _add(found, ledger.move, frozenset())
    for model in walls.append_only:
        _add(found, model, frozenset())
    for model in apps.get_models():
        if hasattr(model, "pgh_tracked_model"):
            _add(found, model, frozenset())
    for model, changeable in walls.guarded.items():
        _add(found, model, changeable)
    yield from (found[name] for name in sorted(found))


def _add(found: dict[str, SealedTable], model: type[models.Model], changeable: frozenset[str]) -> None:
    name = model._meta.db_table
    if name in LEFT_OUT:
        return
    columns = tuple(str(f.column) for f in model._meta.local_concrete_fields if f.column not in changeable)
    key = model._meta.pk
    found[name] = SealedTable(
        name,
        str(key.column) if key else "id",
        columns,
        in_order=isinstance(key, models.AutoField | models.BigAutoField),
    )
