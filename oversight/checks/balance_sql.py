"""What every ledger counts: how many there are in each state, and how many ever came into it and went out of it."""

from staff.ledger.registry import Ledger, walls

_LEDGER = """
SELECT '{name}' AS ledger, q.part, sum(q.counted)::bigint AS counted, sum(q.came)::bigint AS came, sum(q.went)::bigint AS went
FROM (
    SELECT {part_s} || s.state AS part, count(*) AS counted, 0 AS came, 0 AS went FROM {subject} s GROUP BY 1
    UNION ALL
    SELECT x.part || x.state, 0, x.came, x.went FROM (
        SELECT {part_m} AS part, m.from_state, m.to_state, count(*) AS n FROM {moves} m {join}
        WHERE m.from_state <> m.to_state GROUP BY 1, 2, 3) t
    CROSS JOIN LATERAL (VALUES (t.part, t.to_state, t.n, 0), (t.part, t.from_state, 0, t.n)) x (part, state, came, went)
    WHERE x.state <> ''
) q GROUP BY q.part
"""

# A person's place in the population, as the row says it, or as a row of its history said it.
PLACE = """CASE WHEN {0}.merged_into_id IS NOT NULL THEN 'merged' WHEN {0}.deceased_on IS NOT NULL THEN 'died'
    WHEN {0}.left_area_on IS NOT NULL THEN 'left' ELSE 'living' END"""
_PEOPLE = f"""
SELECT 'person' AS ledger, q.part, sum(q.counted)::bigint AS counted, sum(q.came)::bigint AS came, sum(q.went)::bigint AS went
FROM (
    SELECT {PLACE.format("p")} AS part, count(*) AS counted, 0 AS came, 0 AS went FROM screening_person p GROUP BY 1
    UNION ALL
    SELECT coalesce(h.part, {PLACE.format("p")}), 0, count(*), 0 FROM screening_person p LEFT JOIN (
        SELECT DISTINCT ON (h.pgh_obj_id) h.pgh_obj_id, {PLACE.format("h")} AS part FROM screening_personhistory h
        ORDER BY h.pgh_obj_id, h.pgh_id) h ON h.pgh_obj_id = p.id GROUP BY 1
    UNION ALL
    SELECT x.part, 0, x.came, x.went FROM (
        SELECT {PLACE.format("h")} AS was, coalesce(
            lead({PLACE.format("h")}) OVER (PARTITION BY h.pgh_obj_id ORDER BY h.pgh_id), {PLACE.format("p")}) AS became
        FROM screening_personhistory h JOIN screening_person p ON p.id = h.pgh_obj_id) t
    CROSS JOIN LATERAL (VALUES (t.became, 1, 0), (t.was, 0, 1)) x (part, came, went) WHERE t.was <> t.became
) q GROUP BY q.part
"""


def _of(ledger: Ledger) -> str:
    return _LEDGER.format(
        name=ledger.machine.name,
        subject=ledger.subject_table,
        moves=ledger.move_table,
        join="",
        part_s="''",
        part_m="''",
    )


def lots_sql() -> str:
    """Kits by lot: the part is the lot's id and the state."""
    kit = walls.ledgers["kit"]
    return _LEDGER.format(
        name="kit lot", subject=kit.subject_table, moves=kit.move_table,
        join=f"LEFT JOIN {kit.subject_table} k ON k.id = m.subject_id",
        part_s="s.lot_id || ':'", part_m="coalesce(k.lot_id, 0) || ':'",
    )  # fmt: skip


def ledgers_sql() -> str:
    """People and every machine's things; one row a state."""
    return "\nUNION ALL\n".join([_PEOPLE, *(_of(ledger) for ledger in walls)])


UNBALANCED = """
WITH now AS MATERIALIZED ({counts}), last AS (
    SELECT c.* FROM oversight_ledgercount c WHERE c.run_id = (
        SELECT max(r.id) FROM oversight_proofrun r WHERE r.kind = 'full' AND EXISTS (
            SELECT 1 FROM oversight_ledgercount o WHERE o.run_id = r.id)) AND c.ledger IN (SELECT ledger FROM now)
), both_nights AS (
    SELECT coalesce(n.ledger, l.ledger) AS ledger, coalesce(n.part, l.part) AS part,
           coalesce(n.counted, 0) - (coalesce(n.came, 0) - coalesce(n.went, 0)) AS over,
           coalesce(n.came, 0) - coalesce(l.came, 0) AS came, coalesce(n.went, 0) - coalesce(l.went, 0) AS went
    FROM now n FULL JOIN last l ON l.ledger = n.ledger AND l.part = n.part)
SELECT 'ledger' AS thing, {id} AS id, NULL::bigint AS person_id, NULL::date AS since, 'administrators' AS owner,
       b.ledger || ' ' || b.part || ': ' || CASE WHEN b.over <> 0 THEN to_char(b.over, 'FMSG999999999') ELSE
           to_char(least(b.came, 0) + least(b.went, 0), 'FMSG999999999') END AS note
FROM both_nights b WHERE b.over <> 0 OR b.came < 0 OR b.went < 0
"""
"""Parts whose count is not what came less what went, or whose totals fell since the last full proof."""
