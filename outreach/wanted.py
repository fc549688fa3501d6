"""Which letters the ledgers of rounds, stops and lots ask for and do not have yet; the rest is in `wanted_followup`."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from outreach.catalogue import BESIDE
from outreach.querysets import rows_of


@dataclass(frozen=True)
class Candidate:
    """A letter that the ledgers ask for and that does not exist yet."""

    kind: str
    key: str
    person_id: int
    practice_id: int | None
    round_id: int | None
    kit_id: int | None
    result_id: int | None
    referral_id: int | None
    side: str
    triggered_on: date
    reason: str
    subject_id: int | None = None
    site_id: int | None = None
    channel: str = "post"


WANTED = """
WITH asked AS (SELECT DISTINCT unnest(%(rounds)s::bigint[]) AS id),
live AS (
    SELECT k.id, k.round_id FROM screening_kit k JOIN asked a ON a.id = k.round_id
    WHERE k.void_on IS NULL AND k.state IN ('assigned', 'dispatched')),
reported AS (
    SELECT rs.id, rs.round_id, rs.person_id, rs.side, rs.authorised_on, rs.sample_id, rs.version, f.referral_id,
           p.practice_id
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
    SELECT told.kind, told.kind || ':' || id, person_id, NULL, round_id, NULL, id, referral_id, side, authorised_on, 'result'
    FROM reported CROSS JOIN LATERAL (SELECT CASE WHEN EXISTS (
            SELECT 1 FROM outreach_letter b JOIN results_result o ON o.id = b.result_id
            WHERE reported.version > 1 AND b.round_id = reported.round_id AND o.sample_id = reported.sample_id
            AND o.id <> reported.id AND b.kind IN ('result_below', 'result_more_tests', 'corrected_result')
            AND b.state IN ('handed_over', 'undelivered', 'settled')) THEN 'corrected_result'
        WHEN side = 'below' THEN 'result_below' ELSE 'result_more_tests' END AS kind) told
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


MOVED = {
    "round": """
SELECT DISTINCT subject_id AS id FROM screening_roundmove
WHERE event IN ('open', 'kit_sent', 'unsuitable', 'kit_gone', 'below', 'at_or_above', 'raise', 'withdraw', 'conclude', 'close')
  AND occurred_at >= %(since)s
UNION
SELECT k.round_id FROM screening_returnmove m JOIN screening_return b ON b.id = m.subject_id
JOIN screening_kit k ON k.id = b.kit_id
WHERE m.rule IN ('no_answer', 'machine', 'wrong_number') AND k.round_id IS NOT NULL AND m.occurred_at >= %(since)s
ORDER BY id""",
    "referral": "SELECT DISTINCT subject_id AS id FROM results_referralmove WHERE occurred_at >= %(since)s ORDER BY id",
    "stop": "SELECT id FROM screening_stop WHERE scope = 'invitations' AND since >= %(day)s ORDER BY id",
    "exclusion": "SELECT id FROM screening_exclusion WHERE kind = 'postponed' AND since >= %(day)s ORDER BY id",
    "lot": "SELECT DISTINCT id FROM screening_lothistory WHERE quarantined AND pgh_created_at >= %(since)s ORDER BY id",
}
"""Source → the things that moved since a moment, each as a to-do row would name it."""


def moved_since(since: Any, *, day: date) -> dict[str, list[int]]:
    """By source, everything with a move that may ask for a letter since a moment."""
    return {
        source: [row["id"] for row in rows_of(sql, {"since": since, "day": day})]
        for source, sql in MOVED.items()
    }


ASKED_FOR = """
SELECT 'opt_out' AS kind, 'opt_out:' || s.id AS key, s.person_id, NULL::bigint AS practice_id, NULL::bigint AS round_id,
       NULL::bigint AS kit_id, NULL::bigint AS result_id, NULL::bigint AS referral_id, '' AS side, s.since AS triggered_on,
       'asked' AS reason, s.id AS subject_id
FROM screening_stop s WHERE %(source)s = 'stop' AND s.id = ANY(%(ids)s) AND s.scope = 'invitations' AND s.ended_on IS NULL
UNION ALL
SELECT 'postponement', 'postponement:' || x.id, x.person_id, NULL, NULL, NULL, NULL, NULL, '', x.since, 'asked', x.id
FROM screening_exclusion x WHERE %(source)s = 'exclusion' AND x.id = ANY(%(ids)s) AND x.kind = 'postponed'
UNION ALL
SELECT 'kit_recall', 'kit_recall:' || k.id, r.person_id, NULL, r.id, k.id, NULL, NULL, '', %(today)s::date, 'lot_quarantined', NULL
FROM screening_lot l JOIN screening_kit k ON k.lot_id = l.id AND k.state = 'dispatched' AND k.void_on IS NULL
JOIN screening_round r ON r.id = k.round_id
WHERE %(source)s = 'lot' AND l.id = ANY(%(ids)s) AND l.quarantined
"""


def asked_for(source: str, ids: Sequence[int], *, today: date) -> list[Candidate]:
    """Confirmations of what people asked for, and recalls of kits of a lot under quarantine."""
    return [
        Candidate(**row) for row in rows_of(ASKED_FOR, {"source": source, "ids": list(ids), "today": today})
    ]


REMINDED = """
SELECT %(what)s AS kind, %(what)s || ':' || r.id || ':' || least(k.ordinal, 2) AS key, r.person_id,
       NULL::bigint AS practice_id, r.id AS round_id, k.id AS kit_id, NULL::bigint AS result_id,
       NULL::bigint AS referral_id, '' AS side, %(today)s::date AS triggered_on, 'not_back' AS reason
FROM screening_round r
JOIN screening_kit k ON k.round_id = r.id AND k.void_on IS NULL AND k.state = 'dispatched'
WHERE r.id = ANY(%(ids)s) AND r.state = 'kit_out'
  AND NOT EXISTS (SELECT 1 FROM screening_stop s WHERE s.person_id = r.person_id AND s.scope = 'invitations'
                  AND s.ended_on IS NULL)
  AND NOT EXISTS (SELECT 1 FROM screening_person put JOIN screening_stop s ON s.person_id = put.id
                  WHERE put.merged_into_id = r.person_id AND s.scope = 'invitations' AND s.ended_on IS NULL)
ORDER BY 2
"""


def reminders_wanted(what: str, round_ids: Sequence[int], *, today: date) -> list[Candidate]:
    """The reminder or second contact of these rounds whose kit is still out; one for each kit, at most two a round."""
    return [
        Candidate(**row) for row in rows_of(REMINDED, {"what": what, "ids": list(round_ids), "today": today})
    ]


SENT = """
SELECT r.id AS round_id, k.dispatched_on, coalesce(d.site_id, 0) AS site_id
FROM screening_round r JOIN screening_kit k ON k.round_id = r.id AND k.void_on IS NULL AND k.state = 'dispatched'
JOIN screening_person p ON p.id = r.person_id LEFT JOIN outreach_areadesk d ON d.area_id = p.area_id
WHERE r.id = ANY(%(ids)s) AND r.state = 'kit_out'
"""


def kits_out(round_ids: Sequence[int]) -> list[dict[str, Any]]:
    """Of these rounds, those whose kit is out: since when, and the desk that opens its post (0: any)."""
    return rows_of(SENT, {"ids": list(round_ids)})


LAST_ROUND = """
SELECT r.id, r.person_id, p.birth_date, r.invited_on FROM screening_round r JOIN screening_person p ON p.id = r.person_id
WHERE r.id = ANY(%(ids)s) AND r.state = 'closed' AND p.birth_date IS NOT NULL
  AND r.close_reason IN ('below', 'not_returned', 'declined', 'no_usable_sample', 'follow_up_concluded')
  AND NOT EXISTS (SELECT 1 FROM screening_round o WHERE o.person_id = r.person_id AND o.invited_on > r.invited_on)
"""


def rounds_closed(round_ids: Sequence[int]) -> list[dict[str, Any]]:
    """Of these rounds, those that are closed and the person's newest, with what decides whether another follows."""
    return rows_of(LAST_ROUND, {"ids": list(round_ids)})


FALLING_DUE = """
SELECT 'advance_notice' AS kind, 'advance_notice:' || p.id || ':' || p.next_due_on AS key, p.id AS person_id,
       NULL::bigint AS practice_id, NULL::bigint AS round_id, NULL::bigint AS kit_id, NULL::bigint AS result_id,
       NULL::bigint AS referral_id, '' AS side, %(today)s::date AS triggered_on, 'falls_due' AS reason
FROM screening_person p WHERE p.next_due_on BETWEEN %(first)s AND %(last)s AND p.deceased_on IS NULL
  AND p.merged_into_id IS NULL
ORDER BY p.id
"""


def falling_due(first: date, last: date, *, today: date) -> list[Candidate]:
    """An advance notice for everybody who falls due from one day to another."""
    return [Candidate(**row) for row in rows_of(FALLING_DUE, {"first": first, "last": last, "today": today})]


AGREED = """
SELECT p.id, CASE WHEN h.text_since <= %(today)s AND p.phone <> '' THEN 'text' ELSE 'email' END AS channel
FROM screening_person p JOIN outreach_wish h ON h.person_id = p.id
WHERE p.id = ANY(%(ids)s) AND (h.text_since <= %(today)s AND p.phone <> '' OR h.email_since <= %(today)s AND p.email <> '')
"""


def messages_beside(wanted: Sequence[Candidate], *, today: date) -> list[Candidate]:
    """The messages that go beside these letters, to people who agreed to messages and left a number or an address."""
    letters = [one for one in wanted if one.kind in BESIDE]
    if not letters:
        return []
    rows = rows_of(AGREED, {"ids": [one.person_id for one in letters], "today": today})
    agreed = {row["id"]: row["channel"] for row in rows}
    return [
        replace(one, kind=BESIDE[one.kind], key=f"{BESIDE[one.kind]}:{one.key.partition(':')[2]}", channel=agreed[one.person_id])
        for one in letters if one.person_id in agreed
    ]  # fmt: skip
