"""Which rows: the facts behind stops, the letters an event asks for, and the lanes of Today's mail."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from outreach.stops import Facts

UNSENT = ("owed", "held", "frozen", "printed")
NOT_ON_PAPER = ("owed", "held", "frozen")


def rows_of(sql: str, params: dict[str, Any]) -> list[dict[str, Any]]:
    """The rows of a query as dicts."""
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


FACTS = """
SELECT l.id, l.kind, coalesce(rs.side, '') AS side, coalesce(rd.state, '') AS round_state,
    p.deceased_on IS NOT NULL AS died, p.merged_into_id IS NOT NULL AS merged,
    p.left_area_on IS NOT NULL AND p.left_area_on <= %(today)s AS left_area, p.hidden_address,
    p.address_1 <> '' AND (p.locality <> '' OR p.postcode <> '') AS has_address,
    EXISTS (SELECT 1 FROM screening_stop s WHERE s.person_id = p.id AND s.scope = 'invitations'
            AND s.ended_on IS NULL) AS opted_out,
    EXISTS (SELECT 1 FROM screening_stop s WHERE s.person_id = p.id AND s.scope = 'doctor_copy'
            AND s.ended_on IS NULL) AS objects_doctor_copy,
    coalesce(l.practice_id, p.practice_id) IS NOT NULL AS has_practice,
    coalesce(k.state = 'returned', false) AS kit_back,
    coalesce(k.void_on IS NOT NULL, false) AS kit_void,
    rs.id IS NULL OR (rs.is_current AND rs.is_deciding) AS result_current,
    l.kind = 'replacement' AND EXISTS (
        SELECT 1 FROM screening_roundmove m WHERE m.subject_id = l.round_id
        AND m.seq > split_part(l.key, ':', 3)::int
        AND m.event IN ('unsuitable', 'kit_gone', 'kit_back_undone'))
    OR CASE WHEN l.kind LIKE 'next_step%%' THEN EXISTS (
        SELECT 1 FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id
        WHERE n.id = split_part(l.key, ':', 2)::bigint AND (f.state <> 'closed' OR EXISTS (
            SELECT 1 FROM results_nextstep o WHERE o.referral_id = n.referral_id AND o.id > n.id)))
    ELSE false END AS reason_overtaken,
    CASE WHEN l.kind = 'next_step' THEN EXISTS (
        SELECT 1 FROM results_nextstep n WHERE n.id = split_part(l.key, ':', 2)::bigint
        AND n.finding IN ('cancer', 'other_cancer'))
    ELSE false END AS cancer_found,
    CASE WHEN l.kind = 'sample_question' THEN NOT EXISTS (
        SELECT 1 FROM screening_return b WHERE b.id = split_part(l.key, ':', 3)::bigint AND b.state = 'set_aside')
    ELSE false END AS question_answered,
    l.kind = 'result_below' AND EXISTS (
        SELECT 1 FROM results_referral f WHERE f.person_id = p.id
        AND (f.state <> 'closed' OR f.close_reason IN ('not_reached', 'informed_refusal'))) AS earlier_question_open,
    l.kind = 'result_below' AND EXISTS (
        SELECT 1 FROM screening_exclusion x WHERE x.person_id = p.id AND x.kind = 'surveillance'
        AND x.since <= %(today)s AND (x.until IS NULL OR x.until > %(today)s)) AS in_surveillance,
    EXISTS (SELECT 1 FROM results_lookbackrow w WHERE w.result_id = rs.id AND w.settled_at IS NULL) AS under_look_back,
    l.kind = 'result_more_tests' AND EXISTS (
        SELECT 1 FROM outreach_letter b WHERE b.round_id = l.round_id AND b.kind = 'result_below'
        AND b.state IN ('handed_over', 'undelivered', 'settled')) AS told_below_before,
    EXISTS (SELECT 1 FROM outreach_letter o WHERE o.person_id = l.person_id AND o.kind = l.kind AND o.id < l.id
            AND o.round_id IS NOT DISTINCT FROM l.round_id AND o.result_id IS NOT DISTINCT FROM l.result_id
            AND split_part(o.key, ':', 3) = split_part(l.key, ':', 3)
            AND o.state NOT IN ('cancelled', 'superseded')) AS duplicate,
    CASE WHEN l.last_seq > 2 THEN ARRAY(
        SELECT m.reason FROM outreach_lettermove m WHERE m.subject_id = l.id AND m.event = 'release')
    ELSE '{}' END AS cleared
FROM outreach_letter l
JOIN screening_person p ON p.id = l.person_id
LEFT JOIN screening_round rd ON rd.id = l.round_id
LEFT JOIN screening_kit k ON k.id = l.kit_id
LEFT JOIN results_result rs ON rs.id = l.result_id
WHERE l.id = ANY(%(ids)s)
"""


def stop_facts(letter_ids: Sequence[int], *, today: date) -> list[tuple[int, str, Facts]]:
    """(letter, kind, facts) for each of these letters, in one query."""
    found = []
    for row in rows_of(FACTS, {"ids": list(letter_ids), "today": today}):
        letter, kind = row.pop("id"), row.pop("kind")
        found.append((letter, kind, Facts(**row | {"cleared": frozenset(row["cleared"])})))
    return found


@dataclass(frozen=True)
class Candidate:
    """A letter that the ledgers ask for and that does not exist yet."""

    kind: str
    key: str
    person_id: int
    practice_id: int | None
    round_id: int
    kit_id: int | None
    result_id: int | None
    referral_id: int | None
    side: str
    triggered_on: date
    reason: str


WANTED = """
WITH asked AS (SELECT DISTINCT unnest(%(rounds)s::bigint[]) AS id),
live AS (
    SELECT k.id, k.round_id FROM screening_kit k JOIN asked a ON a.id = k.round_id
    WHERE k.void_on IS NULL AND k.state IN ('assigned', 'dispatched')),
reported AS (
    SELECT rs.id, rs.round_id, rs.person_id, rs.side, rs.authorised_on, f.referral_id, p.practice_id
    FROM results_result rs JOIN asked a ON a.id = rs.round_id
    JOIN screening_person p ON p.id = rs.person_id
    LEFT JOIN results_referralresult f ON f.result_id = rs.id
    WHERE rs.is_current AND rs.is_deciding),
decided AS (
    SELECT DISTINCT ON (f.id) n.id, f.person_id, p.practice_id, a.id AS round_id, f.id AS referral_id, n.signed_on, n.step
    FROM asked a JOIN results_result rs ON rs.round_id = a.id
    JOIN results_referralresult l ON l.result_id = rs.id
    JOIN results_referral f ON f.id = l.referral_id AND f.state = 'closed' AND f.close_reason = 'next_step_signed'
    JOIN results_nextstep n ON n.referral_id = f.id
    JOIN screening_person p ON p.id = f.person_id
    ORDER BY f.id, n.id DESC),
wanted AS (
    SELECT 'invitation' AS kind, 'invitation:' || r.id AS key, r.person_id, NULL::bigint AS practice_id,
           r.id AS round_id, live.id AS kit_id, NULL::bigint AS result_id, NULL::bigint AS referral_id,
           '' AS side, r.invited_on AS triggered_on, 'open' AS reason
    FROM screening_round r JOIN asked a ON a.id = r.id LEFT JOIN live ON live.round_id = r.id
    UNION ALL
    SELECT 'replacement', 'replacement:' || r.id || ':' || m.seq, r.person_id, NULL, r.id, NULL, NULL, NULL,
           '', (m.occurred_at AT TIME ZONE %(zone)s)::date, m.reason
    FROM screening_roundmove m JOIN asked a ON a.id = m.subject_id JOIN screening_round r ON r.id = m.subject_id
    WHERE m.event IN ('unsuitable', 'kit_gone') AND NOT EXISTS (
        SELECT 1 FROM screening_roundmove n WHERE n.subject_id = m.subject_id AND n.seq > m.seq
        AND n.event IN ('unsuitable', 'kit_gone', 'kit_back_undone'))
    UNION ALL
    SELECT 'sample_question', 'sample_question:' || r.id || ':' || b.id, r.person_id, NULL, r.id, NULL, NULL, NULL,
           '', (m.occurred_at AT TIME ZONE %(zone)s)::date, m.reason
    FROM screening_round r JOIN asked a ON a.id = r.id JOIN screening_kit k ON k.round_id = r.id
    JOIN screening_return b ON b.kit_id = k.id AND b.state = 'set_aside'
    CROSS JOIN LATERAL (
        SELECT v.occurred_at, v.reason FROM screening_returnmove v WHERE v.subject_id = b.id
        AND v.event = 'reschedule' AND v.rule IN ('no_answer', 'machine', 'wrong_number')
        ORDER BY v.seq OFFSET 1 LIMIT 1) m
    UNION ALL
    SELECT CASE WHEN side = 'below' THEN 'result_below' ELSE 'result_more_tests' END,
           CASE WHEN side = 'below' THEN 'result_below:' ELSE 'result_more_tests:' END || id, person_id, NULL, round_id,
           NULL, id, referral_id, side, authorised_on, 'result'
    FROM reported
    UNION ALL
    SELECT 'doctor_copy', 'doctor_copy:' || id, person_id, practice_id, round_id, NULL, id, referral_id, side,
           authorised_on, 'result'
    FROM reported
    UNION ALL
    SELECT 'next_step', 'next_step:' || id, person_id, NULL, round_id, NULL, NULL, referral_id, '', signed_on, step
    FROM decided
    UNION ALL
    SELECT 'next_step_doctor', 'next_step_doctor:' || id, person_id, practice_id, round_id, NULL, NULL, referral_id, '',
           signed_on, step
    FROM decided)
SELECT w.* FROM wanted w WHERE NOT EXISTS (SELECT 1 FROM outreach_letter l WHERE l.key = w.key) ORDER BY w.key
"""


def letters_wanted(round_ids: Sequence[int], *, zone: str) -> list[Candidate]:
    """The letters that the ledgers of these rounds ask for and that are missing."""
    return [Candidate(**row) for row in rows_of(WANTED, {"rounds": list(round_ids), "zone": zone})]


REMINDERS = """
SELECT 'reminder' AS kind, 'reminder:' || r.id || ':' || least(k.ordinal, 2) AS key, r.person_id,
       NULL::bigint AS practice_id, r.id AS round_id, k.id AS kit_id, NULL::bigint AS result_id,
       NULL::bigint AS referral_id, '' AS side, k.dispatched_on + %(days)s::int AS triggered_on, 'not_back' AS reason
FROM screening_round r
JOIN screening_kit k ON k.round_id = r.id AND k.void_on IS NULL AND k.state = 'dispatched'
WHERE r.state = 'kit_out' AND k.dispatched_on <= %(today)s::date - %(days)s::int
  AND NOT EXISTS (SELECT 1 FROM outreach_letter l WHERE l.key = 'reminder:' || r.id || ':' || least(k.ordinal, 2))
  AND NOT EXISTS (SELECT 1 FROM screening_stop s WHERE s.person_id = r.person_id AND s.scope = 'invitations'
                  AND s.ended_on IS NULL)
ORDER BY 2 LIMIT %(limit)s
"""


def reminders_wanted(*, today: date, days: int, limit: int = 20_000) -> list[Candidate]:
    """Rounds whose kit has been out so many days without a reminder; one for each kit, at most two a round."""
    return [Candidate(**row) for row in rows_of(REMINDERS, {"today": today, "days": days, "limit": limit})]


UNOPENED = """
SELECT d.id, d.arrived_on, d.label, s.name AS site
FROM screening_delivery d JOIN staff_site s ON s.id = d.site_id
WHERE d.arrived_on <= %(until)s AND d.arrived_on > %(until)s::date - 60 AND (
    EXISTS (SELECT 1 FROM screening_intakesession i WHERE i.delivery_id = d.id AND i.closed_at IS NULL)
    OR (coalesce(d.hand_count, 1) > 0
        AND NOT EXISTS (SELECT 1 FROM screening_intakesession i WHERE i.delivery_id = d.id)
        AND NOT EXISTS (SELECT 1 FROM screening_return b WHERE b.delivery_id = d.id)))
ORDER BY d.arrived_on
"""


def unopened_post(*, until: date) -> list[dict[str, Any]]:
    """Deliveries that came by this day and are not opened, or not opened to the end (sack guard)."""
    return rows_of(UNOPENED, {"until": until})


MOVED = """
SELECT DISTINCT subject_id FROM screening_roundmove
WHERE event IN ('open', 'unsuitable', 'kit_gone', 'below', 'at_or_above', 'raise', 'withdraw', 'conclude')
  AND occurred_at >= %(since)s
UNION
SELECT k.round_id FROM screening_returnmove m JOIN screening_return b ON b.id = m.subject_id
JOIN screening_kit k ON k.id = b.kit_id
WHERE m.rule IN ('no_answer', 'machine', 'wrong_number') AND k.round_id IS NOT NULL AND m.occurred_at >= %(since)s
ORDER BY subject_id
"""


def rounds_moved_since(since: Any) -> list[int]:
    """Rounds with a move that may ask for a letter since a moment."""
    return [row["subject_id"] for row in rows_of(MOVED, {"since": since})]
