"""Lays a register file's lines down as staged and refused ones, the next part being read while the server takes the last."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from typing import TYPE_CHECKING

import psycopg
from django.db import connection, transaction
from psycopg.copy import QueuedLibpqWriter

from screening.models import RegisterLoad
from screening.services import register_first as first
from screening.services import register_memory as memory
from screening.services import register_sql as sql
from screening.services.register_lines import file_lines, file_parts
from screening.services.register_read import ReadFile, Refused, lines_read
from staff.threads import threads_handing_over

if TYPE_CHECKING:
    import polars as pl

STAGED_AT_ONCE = 10_000
"""So many lines are written out together."""
SOON = 1 / 4
"""So much of a part is read first, so that the server need not wait for a whole one."""


@dataclass(frozen=True, slots=True)
class Laid:
    """How many lines a file has, how many of them were refused, and the digests of the others."""

    lines: int
    refused: int
    told: pl.DataFrame


class SaidTwice(Exception):
    """A number stands on several lines, which only somebody who sees all lines can answer."""


def file_laid(load: RegisterLoad, content: bytes, *, today: date, areas: frozenset[str]) -> Laid:
    """Read a whole file line by line and lay it down. RoundbookError when the file as such cannot be read."""
    try:
        with transaction.atomic():
            return _parts_laid(load, content, today, areas)
    except SaidTwice:
        lines = file_lines(content)
        return lines_laid(load, lines, lines_read(lines, today=today, areas=areas))


def lines_laid(load: RegisterLoad, lines: pl.DataFrame, read: ReadFile) -> Laid:
    """Lay down lines that were read."""
    with _staging() as copy:
        for body in staged_bodies(load, read):
            copy.write(body)
    refused_copied(load, read.refused)
    return Laid(lines.height, len(read.refused), memory.digests_of(lines, read))


def _parts_laid(load: RegisterLoad, content: bytes, today: date, areas: frozenset[str]) -> Laid:
    import polars as pl

    height, refused, told, numbers = 0, [], [], []
    with threads_handing_over(), _keys_fit(content), _staging() as copy:
        for lines in file_parts(content, first=SOON):
            read = lines_read(lines, today=today, areas=areas)
            for body in staged_bodies(load, read):
                copy.write(body)
            height += lines.height
            refused += read.refused
            told.append(memory.digests_of(lines, read))
            numbers.append(read.numbers.hash())
        if pl.concat(numbers).is_duplicated().any():
            raise SaidTwice
    refused_copied(load, refused)
    return Laid(height, len(refused), pl.concat(told))


def _keys_fit(content: bytes) -> AbstractContextManager[object]:
    """The first lines of all, and many, are laid down without their key, which is built over the whole then."""
    if first.nobody_yet() and first.many_lines(content):
        return first.keys_away(first.LINES)
    return nullcontext()


def _staging() -> AbstractContextManager[psycopg.Copy]:
    cursor = psycopg.Cursor(connection.connection)
    return cursor.copy(sql.COPY_STAGED, writer=QueuedLibpqWriter(cursor, flush_threshold=0))


def staged_bodies(load: RegisterLoad, read: ReadFile) -> Iterator[bytes]:
    """The accepted lines as `register_sql.COPY_STAGED` takes them, some at a time."""
    import polars as pl

    if read.raws is not None:
        line = pl.format(f"{load.pk},{{}},{{}},{{}}\n", "line", read.raws.alias("raw"), "name_key")
        for some in read.accepted.select(line.alias("said")).iter_slices(STAGED_AT_ONCE):
            yield bytes(some["said"].str.join("").cast(pl.Binary).item() or b"")
        return
    lines = read.accepted.with_columns(pl.lit(load.pk).alias("load_id")).select(sql.STAGED_TABLE_COLUMNS)
    for some in lines.iter_slices(STAGED_AT_ONCE):
        body = BytesIO()
        some.write_csv(body, include_header=False)
        yield body.getvalue()


def refused_copied(load: RegisterLoad, refused: Sequence[Refused]) -> None:
    """Keep the refused lines, each with its reason."""
    with connection.cursor() as cursor, cursor.copy(sql.COPY_REFUSED) as copy:
        for r in refused:
            copy.write_row(
                (load.pk, r.line, r.code, r.sentence, r.raw.replace("\x00", "\N{SYMBOL FOR NULL}"))
            )
