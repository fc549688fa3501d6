"""The statements of the packing table: pairs judged as a set, packs to open, kits in doubt."""

# One verdict for each (letter, kit) that was held together; `n` is its place among those asked about.
JUDGE = """
WITH seen AS (
    SELECT u.*, row_number() OVER (PARTITION BY u.round_id, u.serial ORDER BY u.n) AS again_in_file
    FROM unnest(%(n)s::int[], %(rounds)s::bigint[], %(serials)s::text[]) AS u(n, round_id, serial))
SELECT s.n, r.batch_id, k.id, coalesce(own.serial, ''), CASE
    WHEN r.id IS NULL OR r.batch_id IS NULL THEN 'letter_unknown'
    WHEN %(batch)s::bigint IS NOT NULL AND r.batch_id <> %(batch)s THEN 'other_batch'
    WHEN k.id IS NULL THEN 'kit_unknown'
    WHEN s.again_in_file > 1 OR EXISTS (SELECT 1 FROM screening_pack p WHERE p.kit_id = k.id AND p.round_id = r.id
        AND p.verdict = 'paired') THEN 'again'
    WHEN k.round_id IS DISTINCT FROM r.id THEN 'mispaired'
    WHEN k.void_on IS NOT NULL THEN 'kit_void'
    WHEN r.state <> 'kit_due' OR k.state <> 'assigned' THEN 'not_waiting'
    ELSE 'paired' END
FROM seen s LEFT JOIN screening_round r ON r.id = s.round_id LEFT JOIN screening_kit k ON k.serial = s.serial
LEFT JOIN LATERAL (SELECT o.serial FROM screening_kit o WHERE o.round_id = r.id AND o.void_on IS NULL
                   AND o.state = 'assigned') own ON true
ORDER BY s.n
"""

STORE = """
INSERT INTO screening_pack (batch_id, round_id, kit_id, serial, letter, tray, nth, verdict, posted_on, manifest_id, line,
    packed_at, packed_by_id)
SELECT u.batch_id, u.round_id, u.kit_id, u.serial, u.letter, u.tray,
    CASE WHEN u.verdict = 'paired' THEN coalesce((SELECT max(p.nth) FROM screening_pack p WHERE p.batch_id = u.batch_id
        AND p.verdict = 'paired'), 0) + row_number() OVER (PARTITION BY u.batch_id, u.verdict ORDER BY u.line, u.serial) END,
    u.verdict, u.posted_on, %(manifest)s, nullif(u.line, 0), roundbook_now(), %(by)s
FROM unnest(%(batches)s::bigint[], %(rounds)s::bigint[], %(kits)s::bigint[], %(serials)s::text[], %(letters)s::text[],
    %(trays)s::text[], %(verdicts)s::text[], %(posted)s::date[], %(lines)s::int[])
    AS u(batch_id, round_id, kit_id, serial, letter, tray, verdict, posted_on, line)
"""

_WAITING = """
FROM screening_round r JOIN screening_kit k ON k.round_id = r.id AND k.state = 'assigned' AND k.void_on IS NULL
WHERE r.batch_id = %(batch)s AND r.state = 'kit_due'
"""
UNPROVEN = f"""
SELECT k.id, k.serial {_WAITING}
AND NOT EXISTS (SELECT 1 FROM screening_pack p WHERE p.kit_id = k.id AND p.verdict = 'paired') ORDER BY k.serial
"""

# The first pack, every so many, and the last one once all are packed; those a contractor has posted cannot be opened here.
CHECKS_OWED = f"""
SELECT p.id, p.nth, p.letter, p.tray FROM screening_pack p JOIN screening_kit k ON k.id = p.kit_id
WHERE p.batch_id = %(batch)s AND p.verdict = 'paired' AND p.posted_on IS NULL AND k.state = 'assigned' AND k.void_on IS NULL
AND (p.nth = 1 OR p.nth %% %(every)s = 0 OR (NOT EXISTS ({UNPROVEN.replace("ORDER BY k.serial", "")}) AND p.nth = (
    SELECT max(x.nth) FROM screening_pack x JOIN screening_kit y ON y.id = x.kit_id AND y.void_on IS NULL
    WHERE x.batch_id = p.batch_id AND x.verdict = 'paired')))
AND NOT EXISTS (SELECT 1 FROM screening_packcheck c WHERE c.pack_id = p.id AND c."right")
ORDER BY p.nth
"""

COUNTS = f"""
SELECT (SELECT count(*) {_WAITING}),
    (SELECT count(*) FROM screening_pack p JOIN screening_kit k ON k.id = p.kit_id WHERE p.batch_id = %(batch)s
     AND p.verdict = 'paired' AND k.void_on IS NULL),
    (SELECT count(*) FROM screening_pack p WHERE p.batch_id = %(batch)s AND p.verdict <> 'paired')
"""

# Kits that lay, or may have lain, in a tray with a wrong pair: those found in it and those its letters ask for.
OF_TRAYS = """
SELECT k.id FROM screening_kit k WHERE k.id = ANY(%(found)s::bigint[])
UNION
SELECT k.id FROM screening_kit k WHERE k.round_id = ANY(%(rounds)s::bigint[]) AND k.state IN ('assigned', 'dispatched')
"""

LOCK_IN_DOUBT = """
SELECT k.id, k.state, k.round_id, k.serial FROM screening_kit k
WHERE k.id = ANY(%(ids)s::bigint[]) ORDER BY k.id FOR NO KEY UPDATE
"""
VOID_IN_DOUBT = """
UPDATE screening_kit SET void_on = coalesce(void_on, roundbook_now()::date), void_reason = %(why)s
WHERE id = ANY(%(ids)s::bigint[]) AND void_reason <> %(why)s
"""
# Rounds none of whose kits is on its way any more: their only one is in doubt.
LEFT_WITHOUT = """
SELECT r.id FROM screening_round r WHERE r.id = ANY(%(rounds)s::bigint[]) AND r.state = %(state)s
AND NOT EXISTS (SELECT 1 FROM screening_kit k WHERE k.round_id = r.id AND k.void_on IS NULL
                AND k.state IN ('assigned', 'dispatched')) ORDER BY r.id FOR NO KEY UPDATE OF r
"""
SEND_IN_DOUBT = """
WITH gone AS MATERIALIZED (
    SELECT k.id AS kit_id, k.last_seq AS kit_seq, r.id AS round_id, r.last_seq AS round_seq
    FROM screening_kit k JOIN screening_round r ON r.id = k.round_id AND r.state = 'kit_due'
    WHERE k.id = ANY(%(ids)s::bigint[]) AND k.state = 'assigned' AND k.void_on IS NULL),
kits AS (UPDATE screening_kit k SET dispatched_on = %(today)s FROM gone WHERE k.id = gone.kit_id),
kit_moves AS (
    INSERT INTO screening_kitmove (subject_id, seq, event, from_state, to_state, note)
    SELECT kit_id, kit_seq + 1, 'dispatch', 'assigned', 'dispatched', 'left in doubt' FROM gone ORDER BY kit_id),
rounds AS (UPDATE screening_round r SET dispatched_on = coalesce(r.dispatched_on, %(today)s) FROM gone WHERE r.id = gone.round_id),
round_moves AS (
    INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool, rule)
    SELECT round_id, round_seq + 1, 'kit_sent', 'kit_due', 'kit_out', %(due)s, 'office', 'R12' FROM gone ORDER BY round_id)
SELECT count(*) FROM gone
"""
BACK_IN_DOUBT = """
SELECT b.id, b.state, r.id, r.state FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id
JOIN screening_round r ON r.id = k.round_id WHERE k.id = ANY(%(ids)s::bigint[]) AND b.state <> 'undone' ORDER BY b.id
"""
