"""Bares tables for laying down millions of rows: triggers, foreign keys and indexes go, and come back over the whole at once."""

from collections.abc import Iterator
from contextlib import contextmanager

import psycopg

from oversight.measuring.bench import bare_hands
from staff.models import User

_KEYS = """
SELECT format('ALTER TABLE %%s DROP CONSTRAINT %%I', conrelid::regclass, conname),
    format('ALTER TABLE %%s ADD CONSTRAINT %%I %%s', conrelid::regclass, conname, pg_get_constraintdef(oid))
FROM pg_constraint WHERE contype = 'f' AND conrelid = ANY(%(tables)s::regclass[]) ORDER BY conrelid::regclass::text, conname
"""
_INDEXES = """
SELECT format('DROP INDEX %%s', indexrelid::regclass), pg_get_indexdef(indexrelid)
FROM pg_index i WHERE indrelid = ANY(%(tables)s::regclass[])
    AND NOT EXISTS (SELECT 1 FROM pg_constraint c WHERE c.conindid = i.indexrelid) ORDER BY indexrelid::regclass::text
"""
_SEQUENCES = """
SELECT format('SELECT setval(%%L, (SELECT coalesce(max(id), 0) + 1 FROM %%s), false)', pg_get_serial_sequence(t::text, 'id'), t)
FROM unnest(%(tables)s::regclass[]) t WHERE pg_get_serial_sequence(t::text, 'id') IS NOT NULL
"""


@contextmanager
def laid_bare(*tables: str, by: User) -> Iterator[psycopg.Connection]:
    """An owner's connection while these tables have primary keys and checks only; afterwards their sequences go on above.

    What the rows break of a key or a unique index is raised at the end.
    """
    with bare_hands(*tables, by=by) as owner:
        facts = {"tables": list(tables)}
        gone = [*owner.execute(_KEYS, facts).fetchall(), *owner.execute(_INDEXES, facts).fetchall()]
        for drop, _make in gone:
            owner.execute(drop.encode())
        try:
            yield owner
        finally:
            for _drop, make in reversed(gone):
                owner.execute(make.encode())
        for (advance,) in owner.execute(_SEQUENCES, facts).fetchall():
            owner.execute(advance.encode())
