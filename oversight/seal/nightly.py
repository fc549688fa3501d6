"""The statements of the nightly check of the seals: the chain, the last seal whole, and of the older blocks one part in 28."""

from collections.abc import Iterable

from oversight.seal.sql import SPAN, members_sql, odd_blocks_sql
from oversight.seal.tables import Sealed, SealedTable

SLICES = 28
LAST = "(SELECT max(id) FROM oversight_seal)"
TONIGHT = f"(b.seal_id = {LAST} OR b.first / {SPAN} %% {SLICES} = extract(day FROM %(today)s::date)::int %% {SLICES})"
CHAIN = """
SELECT 'seal' AS thing, s.id, NULL::bigint AS person_id, s.day AS since, 'administrators' AS owner, 'not_linked' AS note
FROM (SELECT s.*, lag(s.digest, 1, '') OVER (ORDER BY s.id) AS earlier FROM oversight_seal s) s
WHERE s.before <> s.earlier
UNION ALL
SELECT 'seal', max(s.id), NULL, max(s.day), 'administrators', 'not_linked' FROM oversight_seal s
HAVING coalesce(max(s.day) FILTER (WHERE s.whole), min(s.day)) < %(today)s::date - 2
"""


def sealed_tonight_sql() -> str:
    """How many sealed rows are looked at tonight."""
    return f"SELECT coalesce(sum(b.rows), 0) FROM oversight_sealblock b WHERE {TONIGHT}"


def broken_sql(tables: Iterable[tuple[SealedTable, Sealed]]) -> str:
    """The chain, the counts, and the blocks looked at tonight; only ranges that differ are compared row by row."""
    parts = [CHAIN]
    for table, sealed in tables:
        odd, rows = odd_blocks_sql(table, sealed, TONIGHT), members_sql(table, sealed, "o.first")
        parts.append(
            f"SELECT '{table.name}', o.first, NULL, s.day, 'administrators',"
            f" CASE WHEN o.more < 0 THEN 'fewer_rows' ELSE 'altered' END\nFROM ({odd}) o JOIN oversight_seal s ON s.id = o.seal_id"
            f" WHERE o.forged OR EXISTS (SELECT 1 FROM ({rows}) d)"
        )
    return "\nUNION ALL\n".join(parts)
