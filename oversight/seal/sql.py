"""The statements of the seal: digesting rows into blocks, and comparing blocks with the rows as they are.

A block covers the rows of one table whose numbers share a range of 4,096, as far as they came with one seal. Its marks are
fourteen bytes a row: two for the place in the range, twelve of the SHA-256 of the row's text; its digest is that of the marks.
Every statement goes range by range along the table's own key, so that it needs the memory of one range, however long the table.
"""

from oversight.seal.tables import Sealed, SealedTable

SPAN = 4096
MARK = 14
STEADY = (
    "SET LOCAL timezone = 'UTC'; SET LOCAL datestyle = 'ISO, YMD'; SET LOCAL intervalstyle = 'postgres';"
    " SET LOCAL extra_float_digits = 1; SET LOCAL bytea_output = 'hex'"
)
"""What the text of a row depends on."""


def first_of(key: str) -> str:
    """The first number of the range that a number lies in; numbers below 0 lie in ranges of their own."""
    return f"({key} & ~{SPAN - 1}::bigint)"


def _mark(table: SealedTable) -> str:
    columns = ", ".join(f't."{column}"' for column in table.columns)
    return (
        f"int2send((t.{table.key} & {SPAN - 1})::int2)"
        f" || substr(sha256(convert_to(ROW({columns})::text, 'UTF8')), 1, {MARK - 2})"
    )


def _marks(table: SealedTable, which: str) -> str:
    """How many rows of one range `f.first` there are, and their marks in the order of their numbers."""
    key = f"t.{table.key}"
    return (
        f"SELECT count(*) AS n, string_agg({_mark(table)}, ''::bytea ORDER BY {key}) AS marks FROM {table.name} t"
        f" WHERE {key} >= f.first AND {key} < f.first + {SPAN} AND {which}"
    )


def _came_late(table: SealedTable, sealed: Sealed) -> str:
    """Whether a row that no seal covers came late: its number was missing when a seal was made, and it was being written then.

    A row keyed by another table's number may come at any time.
    """
    if not table.in_order:
        return "true"
    cases = (
        f"('{ids}'::int8multirange @> t.{table.key}::bigint AND age(t.xmin) > age('{xmax % 2**32}'::xid))"
        for xmax, ids in sealed.missing
    )
    return f"({' OR '.join(cases) or 'false'})"


def _sealed_ids(table: SealedTable, sealed: Sealed, first: str) -> str:
    """The sealed rows of one range: seal, number and mark."""
    return f"""
    SELECT b.seal_id, b.first + get_byte(m.marks, i * {MARK}) * 256 + get_byte(m.marks, i * {MARK} + 1) AS id,
           substr(m.marks, i * {MARK} + 1, {MARK}) AS mark
    FROM oversight_sealblock b CROSS JOIN LATERAL (SELECT b.marks || ''::bytea AS marks OFFSET 0) m
    CROSS JOIN LATERAL generate_series(0, length(m.marks) / {MARK} - 1) i
    WHERE b.name = '{table.name}' AND b.seal_id >= {sealed.since} AND b.first = {first}"""


def reach_sql(table: SealedTable, sealed: Sealed, most: int) -> str:
    """Of at most `most` rows above the highest sealed number: how many, the highest, and which numbers between are not there."""
    key = table.key
    return f"""
SELECT count(*), coalesce(max(k), {sealed.upto}), coalesce(range_agg(int8range(before + 1, k)) FILTER (WHERE k > before + 1), '{{}}')::text
FROM (SELECT k, lag(k, 1, {sealed.upto}) OVER (ORDER BY k) AS before FROM (
    SELECT t.{key}::bigint AS k FROM {table.name} t WHERE t.{key} > {sealed.upto} ORDER BY t.{key} LIMIT {most}) q) q
"""


def seal_sql(table: SealedTable, sealed: Sealed, upto: int) -> str:
    """Seal the rows above the highest sealed number up to another, and those that came late; one block a range."""
    key = f"t.{table.key}"
    new = f"{key} > {sealed.upto} AND {key} <= {upto}"
    firsts, which, known = f"SELECT DISTINCT {first_of(key)} FROM {table.name} t WHERE {new}", new, ""
    late = f"{key} <= {sealed.upto} AND {_came_late(table, sealed)}"
    if not table.in_order:
        firsts += f" UNION {_fuller_ranges(table, sealed)}"
        known = f"CROSS JOIN LATERAL (SELECT coalesce(array_agg(s.id), '{{}}') AS ids FROM ({_sealed_ids(table, sealed, 'f.first')}) s) d"
        which = f"({new} OR {key} <= {sealed.upto} AND NOT {key} = ANY(d.ids))"
    elif sealed.missing:
        ids = ", ".join(f"'{ids}'::int8multirange" for _xmax, ids in sealed.missing)
        firsts += (
            f" UNION SELECT {first_of(key)} FROM unnest(ARRAY[{ids}]) m (ids), unnest(m.ids) r (ids), {table.name} t"
            f" WHERE {key} >= lower(r.ids) AND {key} < upper(r.ids) AND {late}"
        )
        which = f"({new} OR {late})"
    return f"""
INSERT INTO oversight_sealblock (seal_id, name, first, rows, digest, marks)
SELECT %(seal)s, '{table.name}', f.first, a.n, sha256(a.marks), a.marks
FROM ({firsts}) f (first) {known} CROSS JOIN LATERAL ({_marks(table, which)}) a WHERE a.n > 0
"""


def _fuller_ranges(table: SealedTable, sealed: Sealed) -> str:
    """Ranges of a table keyed by another's numbers that hold more rows than were sealed."""
    key = f"t.{table.key}"
    return f"""
SELECT q.first FROM (SELECT {first_of(key)} AS first, count(*) AS n FROM {table.name} t WHERE {key} <= {sealed.upto} GROUP BY 1) q
WHERE q.n > (SELECT coalesce(sum(b.rows), 0) FROM oversight_sealblock b WHERE b.name = '{table.name}' AND b.seal_id >= {sealed.since}
             AND b.first = q.first)"""


BLOCKS = """
SELECT b.seal_id, b.name, sum(b.rows),
       encode(sha256(string_agg(convert_to(b.first || ':' || b.rows || ':', 'UTF8') || b.digest, ''::bytea ORDER BY b.first)), 'hex')
FROM oversight_sealblock b {which} GROUP BY b.seal_id, b.name
"""
"""For each seal and table how many rows, and one digest over the digests of the blocks."""


def odd_blocks_sql(table: SealedTable, sealed: Sealed, which: str = "true") -> str:
    """Ranges (those of `which`, over blocks `b`) whose marks are not the rows': first, seal, whether a mark is forged, rows more.

    Marks of several seals are put one after another: that is their order unless a row came late, so ranges that differ are
    compared row by row afterwards. A range whose rows have all aged out is left out.
    """
    own = f"b.name = '{table.name}' AND b.seal_id >= {sealed.since}"
    return f"""
SELECT f.first, e.seal_id, e.forged, a.n - e.rows AS more
FROM (SELECT DISTINCT b.first FROM oversight_sealblock b WHERE {own} AND {which}) f
CROSS JOIN LATERAL (
    SELECT min(b.seal_id) AS seal_id, sum(b.rows) AS rows, bool_or(sha256(b.marks) <> b.digest) AS forged,
           string_agg(b.marks, ''::bytea ORDER BY b.seal_id) AS marks
    FROM oversight_sealblock b WHERE {own} AND b.first = f.first) e
CROSS JOIN LATERAL ({_marks(table, f"t.{table.key} <= {sealed.upto}")}) a
WHERE (e.forged OR e.marks IS DISTINCT FROM a.marks)
  AND NOT (a.n = 0 AND NOT e.forged AND '{sealed.aged_out}'::int8multirange @> int8range(f.first, f.first + {SPAN}))
"""


def members_sql(table: SealedTable, sealed: Sealed, first: str) -> str:
    """What differs between the sealed rows of one range and the rows as they are: number, seal, and how.

    A row that is not there is deleted, unless it aged out; one that aged out and is there again was inserted.
    """
    key = f"t.{table.key}"
    gone = f"'{sealed.aged_out}'::int8multirange @>"
    return f"""
WITH sealed AS ({_sealed_ids(table, sealed, first)}
), there AS (
    SELECT {key}::bigint AS id, {_mark(table)} AS mark, {_came_late(table, sealed)} AS late
    FROM {table.name} t WHERE {key} >= {first} AND {key} < {first} + {SPAN} AND {key} <= {sealed.upto}
)
SELECT coalesce(s.id, t.id) AS id, s.seal_id,
       CASE WHEN t.id IS NULL THEN 'deleted' WHEN s.id IS NULL OR {gone} t.id THEN 'inserted' ELSE 'altered' END AS how
FROM sealed s FULL JOIN there t ON t.id = s.id
WHERE (t.id IS NULL AND NOT {gone} s.id) OR (s.id IS NULL AND NOT t.late) OR {gone} t.id OR s.mark <> t.mark
ORDER BY 1
"""


def strangers_sql(table: SealedTable, sealed: Sealed) -> str:
    """Rows in ranges that no seal knows at all, though their number lies below the highest sealed."""
    key = f"t.{table.key}"
    return f"""
SELECT t.id FROM (
    SELECT DISTINCT {first_of(key)} AS first FROM {table.name} t WHERE {key} <= {sealed.upto}
    EXCEPT SELECT b.first FROM oversight_sealblock b WHERE b.name = '{table.name}' AND b.seal_id >= {sealed.since}) f
CROSS JOIN LATERAL (
    SELECT {key} AS id FROM {table.name} t WHERE {key} >= f.first AND {key} < f.first + {SPAN} AND {key} <= {sealed.upto}
    AND NOT {_came_late(table, sealed)}) t ORDER BY 1
"""


STAMPS = {"recorded_at", "pgh_created_at"}


def backdated_sql(table: SealedTable, sealed: Sealed) -> str:
    """Rows above the highest sealed number that say they were written before the last seal, though their transaction was not."""
    stamp = next((column for column in table.columns if column in STAMPS), None)
    if stamp is None or not sealed.whole:
        return ""
    return f"""
SELECT t.{table.key} FROM {table.name} t WHERE t.{table.key} > {sealed.upto}
AND t.{stamp} < '{sealed.made_at.isoformat()}'::timestamptz - interval '5 minutes'
AND age(t.xmin) <= age('{sealed.xmax % 2**32}'::xid) ORDER BY 1
"""
