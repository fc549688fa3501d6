"""Remembers what each line of the register said when it was last applied, so that lines that say it again need no reading.

A line is known again by a digest of 64 bits of all its characters; what else its reading depends on (the reader itself,
areas, practices, fifths) is part of the memory. Once a week a file is read line by line all the same, and
`register_proof` compares everybody with the last applied lines.

The digests of a small load stay beside the memory and lie over it, so that a night costs what is new in it and not the
writing of everybody's digests; when there are many of them they are taken in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, LiteralString

import psycopg
from django.db import connection
from django.db.models import Q

from screening import names, serials
from screening.models import RegisterDigests, RegisterLoad, RegisterMemory
from screening.services import register_lines, register_read, register_sql
from screening.services.register_lines import COLUMNS, file_lines, file_parts
from screening.services.register_read import ReadFile

if TYPE_CHECKING:
    from datetime import date

    import polars as pl

SEED = 7_264
WHOLE_EVERY_DAYS = 7
NEARLY_ALL = 0.9
"""A file read line by line counts as a reading of the whole when it has so large a part of what is remembered."""
PARTS = 4
"""So many parts of a file are looked at together, for what is new in them; they only fall into lines."""
_PACKED = b"digests of 64 b\n"
BESIDE = 0.1
"""So large a part of the memory may lie beside it, as digests of later loads."""

_REFERENCE = """
SELECT md5(concat_ws('|', (SELECT string_agg(code || id, ',' ORDER BY id) FROM screening_area),
    (SELECT string_agg(code || id, ',' ORDER BY id) FROM screening_practice),
    (SELECT string_agg(postcode || fifth, ',' ORDER BY postcode) FROM screening_postcodefifth)))
"""
_DIGESTS_OF: LiteralString = "SELECT told FROM screening_registerdigests WHERE load_id = %s"
_LATER: LiteralString = """
SELECT d.told FROM screening_registerdigests d JOIN screening_registerload l ON l.id = d.load_id
WHERE l.status = 'applied' ORDER BY l.applied_at DESC, l.id DESC
"""
_BESIDE = """
SELECT (SELECT coalesce(sum(octet_length(d.told)), 0) FROM screening_registerdigests d
        JOIN screening_registerload l ON l.id = d.load_id WHERE l.status = 'applied' OR l.id = %s),
    coalesce((SELECT octet_length(told) FROM screening_registermemory), 0)
"""
_REMEMBER: LiteralString = """
INSERT INTO screening_registermemory (id, version, rules, whole_on, told) VALUES (%s, %s, %s, %s, %b)
ON CONFLICT (id) DO UPDATE SET version = excluded.version, rules = excluded.rules, whole_on = excluded.whole_on, told = excluded.told
"""
_ON_THE_BOOKS = f"COPY ({register_sql.ON_THE_BOOKS}) TO STDOUT"


@dataclass(frozen=True)
class News:
    """What a file says that no file applied before said word for word, and what it was compared with.

    `lines` (`line`, `raw`) are the new ones of `height`; `said` are the digests of all, `told` is the memory.
    """

    content: bytes
    lines: pl.DataFrame
    height: int
    said: pl.Series
    version: int
    told: pl.DataFrame

    @property
    def as_before(self) -> pl.DataFrame:
        """The lines that say what an earlier one said; the file falls into lines once more for them."""
        every = file_lines(self.content)
        return every.filter(~every["line"].is_in(self.lines["line"].implode()))


@dataclass(frozen=True)
class Told:
    """The memory where it may be used: its version, and `told` as `_told` gives it."""

    version: int
    told: pl.DataFrame

    def maybe_all_in(self, content: bytes) -> bool:
        """Whether a file is long enough to say something of half of those remembered."""
        return 2 * len(content) >= register_lines.SHORTEST_LINE * self.told.height


def told_by(on: date) -> Told | None:
    """What the register said so far; None where every line has to be read."""
    memory = RegisterMemory.objects.defer("told").first()
    if memory is None or memory.rules != rules() or (on - memory.whole_on).days >= WHOLE_EVERY_DAYS:
        return None
    return Told(memory.version, _told())


def news_of(content: bytes, told: Told) -> News | None:
    """What is new in a file; None where a line stands twice. RoundbookError as `file_lines`. Asks the database nothing."""
    import polars as pl

    known = told.told["told"]
    said, same, others, height = [], [], [], 0
    for lines in file_parts(content, first=PARTS, at_once=PARTS):
        digests = lines.select(told=_digest("raw"))["told"]
        same.append(in_place(digests, known[height : height + lines.height]))
        others.append(lines.filter(~same[-1]).with_columns(digests.filter(~same[-1])))
        said.append(digests)
        height += lines.height
    elsewhere = pl.concat(others)
    found = found_elsewhere(elsewhere["told"], known, pl.concat(same))
    if found is None:
        return None
    fresh = elsewhere.filter(~found).drop("told")
    return News(content, fresh, height, pl.concat(said), told.version, told.told)


def in_place(said: pl.Series, told: pl.Series) -> pl.Series:
    """Which digests stand where the memory has the same; registers mostly write everybody in the same order."""
    both = min(len(said), len(told))
    return (said[:both] == told[:both]).extend_constant(False, len(said) - both)


def found_elsewhere(others: pl.Series, told: pl.Series, same: pl.Series) -> pl.Series | None:
    """Which of the other digests stand anywhere in the memory but where a line has the same place (`same`, line by line).

    None where one of them stands twice, which is for the reader to refuse.
    """
    both = min(len(same), len(told))
    taken = same[:both].extend_constant(False, len(told) - both)
    found = others.is_in(told.filter(~taken).implode())
    if others.filter(found).n_unique() < found.sum():
        return None
    return found


def says_twice(news: News, read: ReadFile) -> bool:
    """Whether somebody of the new lines also stands on a line that is as before: one of the two is wrong."""
    spoken = read.accepted.select(_digest("person_number").alias("person"))["person"]
    earlier = news.told.filter(news.told["person"].is_in(spoken.implode()))["told"]
    return bool(news.said.is_in(earlier.implode()).any())


def filled_of(as_before: pl.DataFrame) -> dict[str, int]:
    """How many of these lines say something, by column; a quoted line counts for every column."""
    import polars as pl

    fields = pl.col("raw").str.split_exact(",", len(COLUMNS) - 1).struct.rename_fields(list(COLUMNS))
    columns = as_before.select(fields.struct.unnest()).select(
        (pl.col(c).str.strip_chars(" ").fill_null("?") != "").sum().alias(c) for c in COLUMNS
    )
    return {column: int(columns[column][0]) for column in COLUMNS}


def missing_of(as_before: pl.DataFrame, read: ReadFile) -> int:
    """How many people of the register have no good line in a file."""
    import polars as pl

    with connection.cursor() as cursor, cursor.copy(_ON_THE_BOOKS) as copy:
        told = b"".join(bytes(part) for part in copy).decode()
    books = pl.DataFrame({"number": pl.Series(told.split(), dtype=pl.String)})
    spoken = as_before.select(pl.col("raw").str.extract(r'^"?([^",]*)').alias("number"))
    fresh = read.accepted.select(pl.col("person_number").alias("number"))
    return books.join(pl.concat([spoken, fresh]), on="number", how="anti").height


def digests_of(lines: pl.DataFrame, read: ReadFile) -> pl.DataFrame:
    """The digests of the accepted ones of these lines, by person."""
    import polars as pl

    raws = lines.select("line", _digest("raw").alias("told"))
    if read.accepted.height < raws.height:
        raws = raws.filter(pl.col("line").is_in(read.accepted["line"].implode()))
    return read.accepted.select(_digest("person_number").alias("person")).with_columns(raws["told"])


def digests_keep(load: RegisterLoad, told: pl.DataFrame) -> None:
    """Keep the digests of a file's lines until it is applied."""
    with _binary() as cursor:
        cursor.execute(
            "INSERT INTO screening_registerdigests (load_id, told) VALUES (%s, %b)", [load.pk, _packed(told)]
        )


def forget(load: RegisterLoad) -> None:
    """Throw away the digests of a file that will not be applied."""
    RegisterDigests.objects.filter(load=load).delete()


def overtaken(load: RegisterLoad) -> bool:
    """Whether what a load took for known is no longer what stands: another file, or other rules, came between."""
    if not load.as_before:
        return False
    memory = RegisterMemory.objects.defer("told").first()
    return memory is None or memory.version != load.memory or memory.rules != rules()


def remember(load: RegisterLoad, *, on: date, told: pl.DataFrame | None = None) -> None:
    """Take the lines of a load that is being applied into the memory, in place of what was said of the same people.

    `told` are their digests where they were not kept before.
    """
    import polars as pl

    memory, now = RegisterMemory.objects.defer("told").first(), rules()
    fresh = _read(_DIGESTS_OF, load.pk) if told is None else told
    if memory and memory.rules == now and not fresh.height:
        forget(load)
        return
    if memory and memory.rules == now and _is_small(load):
        RegisterMemory.objects.update(version=memory.version + 1)
        return
    kept = fresh.clear()
    if memory and memory.rules == now:
        kept = _told().join(fresh, on="person", how="anti")
    whole = load.as_before == 0 and fresh.height >= NEARLY_ALL * kept.height
    RegisterDigests.objects.filter(Q(load=load) | Q(load__status=RegisterLoad.Status.APPLIED)).delete()
    if not fresh.height and not whole:
        return
    version, whole_on = (memory.version + 1, memory.whole_on) if memory else (1, on)
    packed = _packed(pl.concat([kept, fresh]))
    with _binary() as cursor:
        cursor.execute(_REMEMBER, [RegisterMemory.ONLY, version, now, on if whole else whole_on, packed])


def _is_small(load: RegisterLoad) -> bool:
    """Whether the digests of this load and of those that lie beside the memory already are few against it."""
    with connection.cursor() as cursor:
        cursor.execute(_BESIDE, [load.pk])
        beside, memory = cursor.fetchone()
    return bool(beside <= BESIDE * memory)


def rules() -> str:
    """What the reading of a line depends on besides the line, as one digest."""
    with connection.cursor() as cursor:
        cursor.execute(_REFERENCE)
        return sha256(f"{_reader()} {cursor.fetchone()[0]}".encode()).hexdigest()


@cache
def _reader() -> str:
    import polars as pl

    digest = sha256(f"{pl.__version__} {SEED}".encode())
    for module in (register_lines, register_read, register_sql, names, serials):
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()


def _digest(column: str) -> pl.Expr:
    import polars as pl

    return pl.col(column).hash(seed=SEED)


def _packed(frame: pl.DataFrame) -> bytes:
    """The digests as they lie in memory, all of the persons and then all of the lines."""
    import numpy as np

    return b"".join([_PACKED, *(frame[c].to_numpy().astype(np.uint64).tobytes() for c in ("person", "told"))])


def _unpacked(packed: bytes) -> pl.DataFrame:
    """What `_packed` packed; nothing of what was packed otherwise, so its lines will be read again."""
    import numpy as np
    import polars as pl

    body = packed[len(_PACKED) :] if packed.startswith(_PACKED) else b""
    both = np.frombuffer(body, np.uint64).reshape(2, -1)
    return pl.DataFrame({"person": both[0], "told": both[1]})


def _told() -> pl.DataFrame:
    """The memory: by person, the digest of the line last applied; what later loads said lies over it."""
    import polars as pl

    memory = _read("SELECT told FROM screening_registermemory")
    with _binary() as cursor:
        cursor.execute(_LATER, binary=True)
        later = [_unpacked(bytes(told)) for (told,) in cursor.fetchall()]
    if not later:
        return memory
    last = pl.concat(later).unique("person", keep="first", maintain_order=True)
    over = memory.select("person").with_row_index("at").join(last, on="person")
    memory = memory.with_columns(memory["told"].scatter(over["at"], over["told"]))
    if over.height == last.height:
        return memory
    return pl.concat([memory, last.join(over, on="person", how="anti")])


def _read(query: LiteralString, *params: int) -> pl.DataFrame:
    """The frame that a query's one value packs."""
    with _binary() as cursor:
        cursor.execute(query, params, binary=True)
        row = cursor.fetchone()
    return _unpacked(bytes(row[0]) if row and row[0] else b"")


def _binary() -> psycopg.Cursor[Any]:
    """A cursor that sends and takes bytes as they are, since these are many megabytes."""
    return psycopg.Cursor(connection.connection)
