"""The single statements that open an invitation batch, hand it to the post, and send replacement kits."""

from screening.services.records import records_of

# Sentences of the rule that decide today, asked again under the lock; the stored date is only where to look.
_STILL_DUE = """
p.next_due_on <= %(today)s AND p.deceased_on IS NULL AND p.merged_into_id IS NULL AND p.address_1 <> ''
AND (p.left_area_on IS NULL OR p.left_area_on > %(today)s)
AND p.birth_date > ((%(today)s::date - %(grace)s::int) - make_interval(years => %(age_to)s + 1))::date
AND NOT EXISTS (SELECT 1 FROM screening_round r WHERE r.person_id = p.id
    AND r.state IN ('', 'kit_due', 'kit_out', 'result_due', 'follow_up'))
AND NOT EXISTS (SELECT 1 FROM screening_stop o WHERE o.person_id = p.id AND o.scope = 'invitations'
    AND (o.ended_on IS NULL OR o.ended_on > %(today)s))
AND NOT EXISTS (SELECT 1 FROM screening_exclusion e WHERE e.person_id = p.id AND e.since <= %(today)s
    AND (e.until IS NULL OR e.until > %(today)s))
"""

# Lot by lot along the index of kits in stock, so that a large stock is not sorted for a small batch.
_KITS_IN_STOCK = """
SELECT k.id, k.last_seq, l.expires_on, l.id AS lot_id FROM screening_lot l CROSS JOIN LATERAL (
    SELECT x.id, x.last_seq FROM screening_kit x WHERE x.lot_id = l.id AND x.state = 'in_stock' AND x.void_on IS NULL
    ORDER BY x.id LIMIT (SELECT count(*) FROM wanted) FOR NO KEY UPDATE OF x SKIP LOCKED) k
WHERE NOT l.quarantined AND l.expires_on >= %(kit_life)s
ORDER BY l.expires_on, l.id, k.id LIMIT (SELECT count(*) FROM wanted)
"""
_STOCK_ORDER = "ORDER BY expires_on, lot_id, id"


def _zipped(columns: str, order: str) -> str:
    """Rows of `wanted` beside kits of `stock`, first to first: arrays side by side, since a join on a row number
    has no statistics and may walk one set for each row of the other."""
    wanted = [f"(SELECT array_agg({c} ORDER BY {order}) FROM wanted)" for c in columns.split()]
    kits = [f"(SELECT array_agg({c} {_STOCK_ORDER}) FROM stock)" for c in ("id", "last_seq")]
    names = ", ".join([*columns.split(), "kit_id", "kit_seq"])
    return (
        f"SELECT * FROM unnest({', '.join([*wanted, *kits])}) AS z({names})"
        " WHERE (SELECT count(*) FROM stock) >= (SELECT count(*) FROM wanted)"
    )


_AREA = "(%(area)s::bigint IS NULL OR p.area_id = %(area)s) AND (p.area_id IS NULL OR p.area_id <> ALL(%(paused)s::bigint[]))"

# Where areas have a pace, the longest overdue of each up to what is left of it, and of the areas without one.
_WITHIN_PACE = f"""p.id IN (
    SELECT y.id FROM unnest(%(areas)s::bigint[], %(left)s::int[]) AS a(area_id, most) CROSS JOIN LATERAL (
        SELECT p.id FROM screening_person p WHERE p.area_id = a.area_id AND {_STILL_DUE} AND {_AREA}
        ORDER BY p.next_due_on, p.id LIMIT least(a.most, %(size)s)) y
    UNION ALL
    SELECT z.id FROM (
        SELECT p.id FROM screening_person p WHERE (p.area_id IS NULL OR p.area_id <> ALL(%(areas)s::bigint[]))
        AND {_STILL_DUE} AND {_AREA} ORDER BY p.next_due_on, p.id LIMIT %(size)s) z)"""
_ALL_TAKEN = (
    "SELECT id, sex, birth_date, area_id, deprivation_fifth, next_due_on FROM first UNION SELECT * FROM mates"
)
_TAKEN_WITHIN_PACE = f"""
SELECT id, sex, birth_date, area_id, deprivation_fifth, next_due_on FROM (
    SELECT t.*, a.most, row_number() OVER (PARTITION BY t.area_id ORDER BY t.next_due_on, t.id) AS nth
    FROM ({_ALL_TAKEN}) t LEFT JOIN unnest(%(areas)s::bigint[], %(left)s::int[]) AS a(area_id, most) USING (area_id)) q
WHERE q.most IS NULL OR q.nth <= q.most"""

# People of one household are invited on one day: whoever is due at the address of somebody taken comes along, and the
# last of the list wait a day.
_OPEN_BATCH = """
WITH first AS MATERIALIZED (
    SELECT p.id, p.sex, p.birth_date, p.area_id, p.deprivation_fifth, p.next_due_on, p.postcode, p.address_1
    FROM screening_person p
    WHERE {which}
    ORDER BY p.next_due_on, p.id LIMIT %(size)s FOR NO KEY UPDATE OF p SKIP LOCKED),
mates AS MATERIALIZED (
    SELECT p.id, p.sex, p.birth_date, p.area_id, p.deprivation_fifth, f.next_due_on FROM first f
    JOIN screening_person p ON p.postcode = f.postcode AND p.address_1 = f.address_1
    WHERE f.postcode <> '' AND NOT EXISTS (SELECT 1 FROM first x WHERE x.id = p.id) AND {still_due}
    ORDER BY f.next_due_on, p.id LIMIT %(size)s FOR NO KEY UPDATE OF p SKIP LOCKED),
wanted AS MATERIALIZED (
    SELECT id, sex, birth_date, area_id, deprivation_fifth, next_due_on FROM ({taken}) h
    ORDER BY next_due_on, id LIMIT %(size)s),
stock AS MATERIALIZED ({stock}),
pairs AS MATERIALIZED (
    SELECT nextval(pg_get_serial_sequence('screening_round', 'id')) AS round_id, z.*
    FROM ({zipped}) z),
rounds AS (
    INSERT INTO screening_round (id, person_id, batch_id, protocol_id, nth, invited_on, sex_at_invitation,
        age_at_invitation, area_id, deprivation_fifth, state, last_seq, due_on, pool, state_since)
    SELECT round_id, id, %(batch)s, %(protocol)s,
        1 + coalesce((SELECT max(r.nth) FROM screening_round r WHERE r.person_id = pairs.id
                      AND r.close_reason <> 'entered_in_error'), 0),
        %(today)s, sex, extract(year FROM age(%(today)s::date, birth_date)), area_id, deprivation_fifth,
        'kit_due', 1, %(today)s, 'office', roundbook_now()
    FROM pairs ORDER BY round_id),
round_moves AS (
    INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool, rule)
    SELECT round_id, 1, 'open', '', 'kit_due', %(today)s, 'office', 'job 2.3' FROM pairs ORDER BY round_id),
kit_moves AS (
    INSERT INTO screening_kitmove (subject_id, seq, event, from_state, to_state, round_id, ordinal)
    SELECT kit_id, kit_seq + 1, 'assign', 'in_stock', 'assigned', round_id, 1 FROM pairs ORDER BY kit_id),
people AS (
    UPDATE screening_person p SET next_due_on = NULL, not_due_code = 'in_a_round' FROM pairs WHERE p.id = pairs.id)
SELECT (SELECT count(*) FROM wanted), (SELECT count(*) FROM stock)
"""
_PARTS = {
    "still_due": f"{_STILL_DUE} AND {_AREA}", "stock": _KITS_IN_STOCK,
    "zipped": _zipped("id sex birth_date area_id deprivation_fifth", "next_due_on, id"),
}  # fmt: skip
OPEN_BATCH = _OPEN_BATCH.format(which=_PARTS["still_due"], taken=_ALL_TAKEN, **_PARTS)
OPEN_BATCH_PACED = _OPEN_BATCH.format(
    which=f"{_PARTS['still_due']} AND {_WITHIN_PACE}", taken=_TAKEN_WITHIN_PACE, **_PARTS
)

# Reasons not to send a kit that came up since it was assigned, the gravest first.
NOT_TO_SEND = f"""
SELECT r.id, CASE
    WHEN p.deceased_on IS NOT NULL THEN 'died'
    WHEN EXISTS (SELECT 1 FROM screening_stop o WHERE o.person_id = ANY({records_of("p")}) AND o.scope = 'invitations'
                 AND (o.ended_on IS NULL OR o.ended_on > %(today)s)) THEN 'declined'
    WHEN p.left_area_on <= %(today)s THEN 'moved_away'
    WHEN p.address_1 = '' THEN 'undeliverable'
    WHEN e.kind = 'postponed' THEN 'postponed' WHEN e.kind IS NOT NULL THEN 'excluded' ELSE '' END AS reason
FROM screening_round r JOIN screening_person p ON p.id = r.person_id
LEFT JOIN LATERAL (
    SELECT x.kind FROM screening_exclusion x WHERE x.person_id = ANY({records_of("p")}) AND x.since <= %(today)s
    AND (x.until IS NULL OR x.until > %(today)s) ORDER BY x.kind = 'postponed' LIMIT 1) e ON true
WHERE r.state = 'kit_due' AND r.id = ANY(%(rounds)s)
"""

PREFLIGHT = f"""
SELECT n.id, r.person_id, p.given_names || ' ' || p.family_name, n.reason FROM ({NOT_TO_SEND}) n(id, reason)
JOIN screening_round r ON r.id = n.id JOIN screening_person p ON p.id = r.person_id
WHERE n.reason <> '' ORDER BY n.reason, p.name_key, n.id LIMIT 500
"""

DISPATCH_BATCH = """
WITH ready AS MATERIALIZED (
    SELECT r.id AS round_id, r.last_seq AS round_seq, k.id AS kit_id, k.last_seq AS kit_seq,
        coalesce((SELECT p.posted_on FROM screening_pack p WHERE p.kit_id = k.id AND p.verdict = 'paired'), %(today)s) AS left_on
    FROM screening_round r JOIN screening_kit k ON k.round_id = r.id AND k.state = 'assigned' AND k.void_on IS NULL
    WHERE r.batch_id = %(batch)s AND r.state = 'kit_due' ORDER BY r.id FOR NO KEY UPDATE OF r, k),
kits AS (UPDATE screening_kit k SET dispatched_on = left_on FROM ready WHERE k.id = ready.kit_id),
kit_moves AS (
    INSERT INTO screening_kitmove (subject_id, seq, event, from_state, to_state)
    SELECT kit_id, kit_seq + 1, 'dispatch', 'assigned', 'dispatched' FROM ready ORDER BY kit_id),
rounds AS (UPDATE screening_round r SET dispatched_on = left_on FROM ready WHERE r.id = ready.round_id),
round_moves AS (
    INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool, rule)
    SELECT round_id, round_seq + 1, 'kit_sent', 'kit_due', 'kit_out', left_on + %(closing)s::int, 'office', 'R12' FROM ready
    ORDER BY round_id)
SELECT count(*) FROM ready
"""

# Rounds that wait for another kit: they had one, and none of theirs is on its way.
_WANTS_ANOTHER = """
r.state = 'kit_due' AND (%(rounds)s::bigint[] IS NULL OR r.id = ANY(%(rounds)s))
AND EXISTS (SELECT 1 FROM screening_kit k WHERE k.round_id = r.id)
AND NOT EXISTS (SELECT 1 FROM screening_kit k WHERE k.round_id = r.id AND k.void_on IS NULL
                AND k.state IN ('assigned', 'dispatched'))
"""
_SENT = "(SELECT count(*) FROM screening_kit k WHERE k.round_id = r.id AND k.dispatched_on IS NOT NULL)"

WANTS_ANOTHER = f"SELECT r.id FROM screening_round r WHERE {_WANTS_ANOTHER}"

# An undelivered kit waits for a newer address: only a person who names the round sends another.
SEND_REPLACEMENTS = f"""
WITH wanted AS MATERIALIZED (
    SELECT r.id AS round_id, r.last_seq AS round_seq, r.dispatched_on, r.due_on FROM screening_round r
    WHERE {_WANTS_ANOTHER} AND {_SENT} <= %(max_replacements)s
    AND (%(rounds)s::bigint[] IS NOT NULL OR (SELECT k.state FROM screening_kit k WHERE k.round_id = r.id
         ORDER BY k.ordinal DESC LIMIT 1) <> 'undelivered')
    ORDER BY r.due_on, r.id FOR NO KEY UPDATE OF r SKIP LOCKED),
stock AS MATERIALIZED ({_KITS_IN_STOCK}),
pairs AS MATERIALIZED (
    SELECT z.*, 1 + (SELECT max(x.ordinal) FROM screening_kit x WHERE x.round_id = z.round_id) AS ordinal
    FROM ({_zipped("round_id round_seq dispatched_on", "due_on, round_id")}) z),
kits AS (
    UPDATE screening_kit k SET dispatched_on = %(today)s FROM pairs WHERE k.id = pairs.kit_id),
kit_moves AS (
    INSERT INTO screening_kitmove (subject_id, seq, event, from_state, to_state, round_id, ordinal)
    SELECT kit_id, kit_seq + step, event, source, target, round_id, ordinal FROM pairs, (VALUES
        (1, 'assign', 'in_stock', 'assigned'), (2, 'dispatch', 'assigned', 'dispatched')) AS s(step, event, source, target)
    ORDER BY kit_id, step),
rounds AS (
    UPDATE screening_round r SET dispatched_on = coalesce(r.dispatched_on, %(today)s)
    FROM pairs WHERE r.id = pairs.round_id),
round_moves AS (
    INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool, rule)
    SELECT round_id, round_seq + 1, 'kit_sent', 'kit_due', 'kit_out',
        greatest(coalesce(dispatched_on, %(today)s) + %(closing)s, %(today)s + %(closing_after)s), 'office', 'R12'
    FROM pairs ORDER BY round_id)
SELECT (SELECT count(*) FROM wanted), (SELECT count(*) FROM stock)
"""

TOO_MANY_SENT = f"""
SELECT r.id FROM screening_round r WHERE {_WANTS_ANOTHER} AND {_SENT} > %(max_replacements)s AND r.pool <> 'phone_desk'
"""

COUNTS = """
SELECT r.batch_id, count(*) AS people,
    count(*) FILTER (WHERE r.dispatched_on IS NOT NULL) AS sent,
    count(*) FILTER (WHERE r.state = 'kit_due' AND r.dispatched_on IS NULL) AS waiting,
    count(*) FILTER (WHERE r.dispatched_on IS NULL AND r.state = 'closed') AS left_out,
    count(*) FILTER (WHERE r.state IN ('result_due', 'follow_up') OR r.close_reason IN ('below', 'follow_up_concluded')) AS back
FROM screening_round r WHERE r.batch_id = ANY(%(batches)s) GROUP BY r.batch_id
"""

STOCK = """
SELECT l.id, l.code, m.name, l.expires_on, l.quarantined,
    count(k.id) FILTER (WHERE k.state = 'in_stock' AND k.void_on IS NULL) AS in_stock,
    NOT l.quarantined AND l.expires_on >= %(kit_life)s AS usable
FROM screening_lot l JOIN screening_kitmodel m ON m.id = l.kit_model_id LEFT JOIN screening_kit k ON k.lot_id = l.id
    AND k.state = 'in_stock'
GROUP BY l.id, m.name ORDER BY l.expires_on, l.id
"""

# Rounds none of whose kits can give a result, and to which no rule sends another kit.
WAITS_FOR_THE_PHONE_DESK = f"""
WITH waiting AS (
    SELECT r.id, r.person_id, r.due_on, CASE
        WHEN {_SENT} > %(max_replacements)s THEN 'no_more_replacements' ELSE 'undelivered' END AS code
    FROM screening_round r WHERE {_WANTS_ANOTHER} AND ({_SENT} > %(max_replacements)s
        OR (SELECT k.state FROM screening_kit k WHERE k.round_id = r.id ORDER BY k.ordinal DESC LIMIT 1) = 'undelivered')
    UNION ALL
    SELECT r.id, r.person_id, r.due_on, CASE WHEN EXISTS (
        SELECT 1 FROM screening_kit k WHERE k.round_id = r.id AND k.void_on IS NULL
        AND k.state IN ('assigned', 'dispatched')) THEN 'kit_still_out' ELSE 'no_kit_left' END
    FROM screening_round r WHERE r.state = 'result_due' AND (%(rounds)s::bigint[] IS NULL OR r.id = ANY(%(rounds)s))
    AND NOT EXISTS (SELECT 1 FROM screening_kit k JOIN screening_return b ON b.kit_id = k.id
                    WHERE k.round_id = r.id AND b.state IN ('logged', 'set_aside', 'ready')))
SELECT count(*) OVER (), w.id, p.id, p.given_names || ' ' || p.family_name, w.code, w.due_on,
    (SELECT count(*) FROM screening_kit k WHERE k.round_id = w.id AND k.dispatched_on IS NOT NULL),
    coalesce((SELECT k.serial FROM screening_kit k WHERE k.round_id = w.id ORDER BY k.ordinal DESC LIMIT 1), '')
FROM waiting w JOIN screening_person o ON o.id = w.person_id
JOIN screening_person p ON p.id = coalesce(o.merged_into_id, o.id)
ORDER BY w.due_on, w.id LIMIT %(most)s
"""
