"""Which tables are sealed, by which columns: every ledger, history, append-only table, and what may not change of guarded ones."""

from collections.abc import Iterator
from dataclasses import dataclass

from django.apps import apps
from django.db import models

from staff.ledger.registry import walls

LEFT_OUT = frozenset({"oversight_seal", "oversight_sealblock"})
"""The seals themselves: the chain covers them."""


@dataclass(frozen=True, slots=True)
class SealedTable:
    """A table, its number column, and the columns whose text is digested, in this order."""

    name: str
    key: str
    columns: tuple[str, ...]


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
    key = model._meta.pk.column if model._meta.pk is not None else "id"
    found[name] = SealedTable(name, str(key), columns)
