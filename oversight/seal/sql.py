"""The statements of the seal: digesting rows into blocks, and comparing blocks with the rows as they are.

A block covers the rows of one table whose numbers share a range of 4,096, as far as they came with one seal. Its marks are
fourteen bytes a row: two for the place in the range, twelve of the SHA-256 of the row's text; its digest is that of the marks.
"""

from oversight.seal.tables import SealedTable, sealed_tables

SPAN = 4096
MARK = 14
SLICES = 28
STEADY = (
    "SET LOCAL timezone = 'UTC'; SET LOCAL datestyle = 'ISO, YMD'; SET LOCAL intervalstyle = 'postgres';"
    " SET LOCAL extra_float_digits = 1; SET LOCAL bytea_output = 'hex'"
)
"""What the text of a row depends on."""


def _mark(table: SealedTable) -> str:
    columns = ", ".join(f't."{column}"' for column in table.columns)
    return (
        f"int2send((t.{table.key} %% {SPAN})::int2)"
        f" || substr(sha256(convert_to(ROW({columns})::text, 'UTF8')), 1, {MARK - 2})"
    )


def seal_sql(table: SealedTable) -> str:
    """Seal the rows above `upto` and those of `late`; one block a range."""
    return f"""
INSERT INTO oversight_sealblock (seal_id, name, first, rows, digest, marks)
SELECT %(seal)s, '{table.name}', q.first, q.n, sha256(q.marks), q.marks FROM (
    SELECT t.{table.key} / {SPAN} * {SPAN} AS first, count(*) AS n,
           string_agg({_mark(table)}, ''::bytea ORDER BY t.{table.key}) AS marks
    FROM {table.name} t WHERE t.{table.key} > %(upto)s OR t.{table.key} = ANY(%(late)s) GROUP BY 1) q
"""


def reach_sql(table: SealedTable) -> str:
    """Rows there are above `upto`, the highest number, and the numbers above `upto` that are not there (at most 10,000)."""
    return f"""
SELECT count(*), coalesce(max(t.{table.key}), %(upto)s), CASE WHEN count(*) < coalesce(max(t.{table.key}), 0) - %(upto)s THEN ARRAY(
    SELECT g.id FROM generate_series(%(upto)s::bigint + 1, (SELECT max(x.{table.key}) FROM {table.name} x)) g(id)
    WHERE NOT EXISTS (SELECT 1 FROM {table.name} x WHERE x.{table.key} = g.id) LIMIT 10000) ELSE '{{}}' END
FROM {table.name} t WHERE t.{table.key} > %(upto)s
"""


def late_sql(table: SealedTable) -> str:
    """Of the numbers that were missing, the rows there now that were being written when the last seal was made."""
    return f"""
SELECT array_agg(t.{table.key} ORDER BY 1) FROM {table.name} t WHERE t.{table.key} = ANY(%(gaps)s)
AND age(t.xmin) > age((%(xmax)s::text::bigint %% 4294967296)::text::xid)
"""


def odd_blocks_sql(table: SealedTable, which: str) -> str:
    """Ranges of a table (those of `which`, over blocks `b`) whose marks are not the rows': first, and whether a mark is forged.

    Names %(upto)s, the highest number sealed. Marks of several seals are put one after another: that is their order unless a row
    came late, so ranges that differ are compared row by row afterwards.
    """
    return f"""
SELECT e.first, e.seal_id, e.forged, coalesce(a.n, 0) - e.rows AS more FROM (
    SELECT b.first, min(b.seal_id) AS seal_id, sum(b.rows) AS rows, bool_or(sha256(b.marks) <> b.digest) AS forged,
           string_agg(b.marks, ''::bytea ORDER BY b.seal_id) AS marks
    FROM oversight_sealblock b WHERE b.name = '{table.name}' AND b.first IN (
        SELECT b.first FROM oversight_sealblock b WHERE b.name = '{table.name}' AND {which}) GROUP BY b.first) e
LEFT JOIN (
    SELECT t.{table.key} / {SPAN} * {SPAN} AS first, count(*) AS n,
           string_agg({_mark(table)}, ''::bytea ORDER BY t.{table.key}) AS marks
    FROM {table.name} t WHERE t.{table.key} <= %(upto)s {{only}} GROUP BY 1) a ON a.first = e.first
WHERE e.forged OR e.marks IS DISTINCT FROM a.marks
"""


def strangers_sql(table: SealedTable) -> str:
    """Rows in ranges that no seal knows at all, though their number lies below the highest sealed."""
    return f"""
SELECT min(t.{table.key}) FROM {table.name} t WHERE t.{table.key} <= %(upto)s AND NOT EXISTS (
    SELECT 1 FROM oversight_sealblock b WHERE b.name = '{table.name}' AND b.first = t.{table.key} / {SPAN} * {SPAN})
"""


def members_sql(table: SealedTable) -> str:
    """The sealed rows of one range beside the rows as they are: number, seal, and whether lost, new or another."""
    return f"""
WITH sealed AS (
    SELECT b.seal_id, b.first + get_byte(m.marks, i * {MARK}) * 256 + get_byte(m.marks, i * {MARK} + 1) AS id,
           substr(m.marks, i * {MARK} + 1, {MARK}) AS mark
    FROM oversight_sealblock b CROSS JOIN LATERAL (SELECT b.marks || ''::bytea AS marks OFFSET 0) m
    CROSS JOIN LATERAL generate_series(0, length(m.marks) / {MARK} - 1) i
    WHERE b.name = '{table.name}' AND b.first = %(first)s
), there AS (
    SELECT t.{table.key} AS id, {_mark(table)} AS mark, age(t.xmin) > age((%(xmax)s::text::bigint %% 4294967296)::text::xid) AS in_flight
    FROM {table.name} t WHERE t.{table.key} >= %(first)s AND t.{table.key} < %(first)s + {SPAN} AND t.{table.key} <= %(upto)s
)
SELECT coalesce(s.id, t.id), s.seal_id, CASE WHEN t.id IS NULL THEN 'deleted' WHEN s.id IS NULL THEN 'inserted' ELSE 'altered' END
FROM sealed s FULL JOIN there t ON t.id = s.id
WHERE t.id IS NULL OR (s.id IS NULL AND NOT (t.in_flight AND t.id = ANY(%(gaps)s))) OR s.mark <> t.mark
ORDER BY 1
"""


STAMPS = {"recorded_at", "pgh_created_at"}


def backdated_sql(table: SealedTable) -> str:
    """Rows above the highest sealed number that say they were written before the last seal, though their transaction was not."""
    stamp = next((column for column in table.columns if column in STAMPS), None)
    if stamp is None:
        return ""
    return f"""
SELECT min(t.{table.key}) FROM {table.name} t WHERE t.{table.key} > %(upto)s
AND t.{stamp} < %(made_at)s::timestamptz - interval '5 minutes' AND age(t.xmin) <= age((%(xmax)s::text::bigint %% 4294967296)::text::xid)
"""


CHAIN = """
SELECT 'seal' AS thing, s.id, NULL::bigint AS person_id, s.day AS since, 'administrators' AS owner, 'not_linked' AS note
FROM (SELECT s.*, lag(s.digest, 1, '') OVER (ORDER BY s.id) AS earlier, row_number() OVER (ORDER BY s.id) AS nth
      FROM oversight_seal s) s
WHERE s.before <> s.earlier
UNION ALL
SELECT 'seal', max(s.id), NULL, max(s.day), 'administrators', 'not_linked' FROM oversight_seal s
HAVING max(s.day) < %(today)s::date - 2
"""
LAST = "(SELECT max(id) FROM oversight_seal)"
TONIGHT = f"(b.seal_id = {LAST} OR b.first / {SPAN} %% {SLICES} = extract(day FROM %(today)s::date)::int %% {SLICES})"


def sealed_tonight_sql() -> str:
    """How many sealed rows are looked at tonight."""
    return f"SELECT coalesce(sum(b.rows), 0) FROM oversight_sealblock b WHERE {TONIGHT}"


def _told(statement: str, table: SealedTable, first: str) -> str:
    """A statement with what the last seal says in place of its parameters."""
    said = f"(SELECT s.tables -> '{table.name}' FROM oversight_seal s WHERE s.id = {LAST})"
    values = {
        "upto": f"coalesce(({said} ->> 'upto')::bigint, 0)",
        "gaps": f"ARRAY(SELECT jsonb_array_elements_text({said} -> 'gaps')::bigint)",
        "xmax": f"pg_snapshot_xmax((SELECT s.snapshot::pg_snapshot FROM oversight_seal s WHERE s.id = {LAST}))",
        "first": first,
    }
    for name, value in values.items():
        statement = statement.replace(f"%({name})s", value)
    return statement


def broken_sql(*, tables: bool = True) -> str:
    """The chain, the counts, and the blocks looked at tonight; only ranges that differ are compared row by row."""
    parts = [CHAIN]
    for table in sealed_tables() if tables else ():
        only = (
            f"AND t.{table.key} / {SPAN} * {SPAN} IN (SELECT b.first FROM oversight_sealblock b"
            f" WHERE b.name = '{table.name}' AND {TONIGHT})"
        )
        odd = _told(odd_blocks_sql(table, TONIGHT).replace("{only}", only), table, "0")
        rows = _told(members_sql(table), table, "o.first")
        parts.append(
            f"SELECT '{table.name}', o.first, NULL, s.day, 'administrators',"
            f" CASE WHEN o.more < 0 THEN 'fewer_rows' ELSE 'altered' END\nFROM ({odd}) o JOIN oversight_seal s ON s.id = o.seal_id"
            f" WHERE o.forged OR EXISTS (SELECT 1 FROM ({rows}) d)"
        )
    return "\nUNION ALL\n".join(parts)
