"""Which letters the ledger of referrals asks for and does not have yet, and the days it sets for later ones."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from outreach.querysets import rows_of
from outreach.wanted import Candidate

ROUND_OF = """
    LEFT JOIN LATERAL (
        SELECT rs.round_id, rs.id AS result_id FROM results_referralresult c JOIN results_result rs ON rs.id = c.result_id
        WHERE c.referral_id = f.id AND rs.is_current ORDER BY rs.id DESC LIMIT 1) o ON true"""

# Every line names its kind; to the practice, the person's practice of today is taken.
WANTED = f"""
WITH asked AS (SELECT DISTINCT unnest(%(ids)s::bigint[]) AS id),
f AS (SELECT f.*, p.practice_id, o.round_id, o.result_id FROM results_referral f JOIN asked a ON a.id = f.id
      JOIN screening_person p ON p.id = f.person_id {ROUND_OF}),
m AS (SELECT DISTINCT ON (m.subject_id, m.event) m.*, (m.occurred_at AT TIME ZONE %(zone)s)::date AS day
      FROM results_referralmove m JOIN asked a ON a.id = m.subject_id ORDER BY m.subject_id, m.event, m.seq DESC),
found AS (
    SELECT CASE t.channel WHEN 'doctor' THEN 'doctor_help' ELSE 'tried_to_reach' END AS kind, t.id::text AS ref, f.id,
           t.made_on AS day, t.channel AS reason, t.id AS subject_id, NULL::bigint AS site_id
    FROM f JOIN results_contactattempt t ON t.referral_id = f.id AND t.channel IN ('letter', 'tracked', 'doctor')
    WHERE f.state IN ('to_reach', 'undecided')
    UNION ALL
    SELECT 'assessment_talk', m.subject_id || ':' || m.seq, f.id, m.day, 'reached', NULL, NULL
    FROM f JOIN m ON m.subject_id = f.id AND m.event = 'reached' WHERE f.state = 'to_assess'
    UNION ALL
    SELECT 'appointment', b.id::text, f.id, b.made_on, 'booked', b.id, b.site_id
    FROM f JOIN results_booking b ON b.referral_id = f.id AND b.status = 'booked' WHERE f.state = 'booked'
    UNION ALL
    SELECT 'date_cancelled', b.id::text, f.id, m.day, 'cancelled', b.id, b.site_id
    FROM f JOIN m ON m.subject_id = f.id AND m.event = 'unbook' AND m.reason NOT LIKE 'missed%%'
    JOIN LATERAL (SELECT b.* FROM results_booking b WHERE b.referral_id = f.id ORDER BY b.id DESC LIMIT 1) b
        ON b.status IN ('cancelled_person', 'cancelled_site', 'not_confirmed') AND b.day > m.day
    WHERE f.state IN ('to_book', 'requested') AND EXISTS (
        SELECT 1 FROM outreach_letter t WHERE t.kind = 'appointment' AND t.subject_id = b.id
        AND t.state IN ('handed_over', 'settled'))
    UNION ALL
    SELECT k.kind, m.subject_id || ':' || m.seq, f.id, m.day, 'missed_again', NULL, NULL
    FROM f JOIN m ON m.subject_id = f.id AND m.event = 'unbook' AND m.reason = 'missed_again'
    CROSS JOIN (VALUES ('missed_examination'), ('missed_doctor')) k(kind) WHERE f.state = 'to_book'
    UNION ALL
    SELECT k.kind, m.subject_id || ':' || m.seq, f.id, m.day, 'refused', NULL, NULL
    FROM f JOIN m ON m.subject_id = f.id AND m.event = 'close' AND m.reason = 'informed_refusal'
    CROSS JOIN (VALUES ('refusal'), ('refusal_doctor')) k(kind) WHERE f.state = 'closed'
    UNION ALL
    SELECT k.kind, m.subject_id || ':' || m.seq, f.id, m.day, CASE m.event WHEN 'close' THEN 'for_good' ELSE 'unfit' END,
           m.seq, NULL
    FROM f JOIN m ON m.subject_id = f.id AND (m.event = 'pause' AND m.reason = 'unfit' AND f.state = 'paused_until'
        OR m.event = 'close' AND m.reason = 'unfit_for_good' AND f.state = 'closed')
    CROSS JOIN (VALUES ('waiting_for_health'), ('waiting_doctor')) k(kind)
    UNION ALL
    SELECT k.kind, n.id::text, f.id, n.signed_on, n.step, NULL, NULL
    FROM f JOIN LATERAL (SELECT n.* FROM results_nextstep n WHERE n.referral_id = f.id ORDER BY n.id DESC LIMIT 1) n ON true
    CROSS JOIN (VALUES ('next_step'), ('next_step_doctor')) k(kind)
    WHERE f.origin = 'surveillance' AND f.state = 'closed' AND f.close_reason = 'next_step_signed'
    UNION ALL
    SELECT 'transfer', m.subject_id || ':' || m.seq, f.id, m.day, 'transferred', NULL, NULL
    FROM f JOIN m ON m.subject_id = f.id AND m.event = 'close' AND m.reason = 'transferred' WHERE f.state = 'closed')
SELECT w.kind, w.kind || ':' || w.ref AS key, f.person_id,
       CASE WHEN w.kind = ANY(%(doctors)s::text[]) THEN f.practice_id END AS practice_id, f.round_id, NULL::bigint AS kit_id,
       f.result_id, f.id AS referral_id, '' AS side, w.day AS triggered_on, w.reason, w.subject_id, w.site_id
FROM found w JOIN f ON f.id = w.id
WHERE NOT EXISTS (SELECT 1 FROM outreach_letter l WHERE l.key = w.kind || ':' || w.ref) ORDER BY 2
"""


def referral_letters_wanted(
    referral_ids: Sequence[int], *, zone: str, doctors: Sequence[str]
) -> list[Candidate]:
    """The letters that these referrals ask for now and do not have."""
    params = {"ids": list(referral_ids), "zone": zone, "doctors": list(doctors)}
    return [Candidate(**row) for row in rows_of(WANTED, params)]


DAYS = """
WITH asked AS (SELECT DISTINCT unnest(%(ids)s::bigint[]) AS id), f AS (SELECT f.* FROM results_referral f JOIN asked a ON a.id = f.id),
m AS (SELECT DISTINCT ON (m.subject_id, m.event) m.*, (m.occurred_at AT TIME ZONE %(zone)s)::date AS day
      FROM results_referralmove m JOIN asked a ON a.id = m.subject_id ORDER BY m.subject_id, m.event, m.seq DESC)
SELECT 'remind_' || d.days AS what, b.id AS subject_id, b.day - d.days AS on
FROM f JOIN results_booking b ON b.referral_id = f.id AND b.status = 'booked' CROSS JOIN (VALUES (7), (2)) d(days)
WHERE f.state = 'booked' AND b.day - d.days > b.made_on
UNION ALL
SELECT 'histology', f.id, m.day + 14 FROM f JOIN m ON m.subject_id = f.id AND m.event = 'report_specimen'
WHERE f.state = 'histology_due'
UNION ALL
SELECT 'chase', f.id, f.due_on + 1 FROM f WHERE f.state = 'report_due'
UNION ALL
SELECT 'wellbeing', e.id, e.day + 30 FROM f JOIN results_examination e ON e.referral_id = f.id
UNION ALL
SELECT 'surveillance', n.id, n.on - 60 FROM f JOIN m ON m.subject_id = f.id AND m.event = 'close' AND m.reason = 'next_step_signed'
JOIN LATERAL (SELECT n.* FROM results_nextstep n WHERE n.referral_id = f.id ORDER BY n.id DESC LIMIT 1) n ON n.step = 'surveillance'
WHERE f.state = 'closed'
UNION ALL
SELECT d.what || d.months, f.id, (m.day + make_interval(months => d.months))::date
FROM f JOIN m ON m.subject_id = f.id AND m.event = 'close'
JOIN (VALUES ('informed_refusal', 'reoffer_', 3), ('informed_refusal', 'reoffer_', 12), ('not_reached', 'sweep_', 6),
      ('not_reached', 'sweep_', 12), ('not_reached', 'sweep_', 24)) d(reason, what, months) ON d.reason = m.reason
WHERE f.state = 'closed'
"""


def referral_days(referral_ids: Sequence[int], *, zone: str) -> list[dict[str, Any]]:
    """The days on which these referrals ask for something later: what, of which thing, on which day."""
    return rows_of(DAYS, {"ids": list(referral_ids), "zone": zone})


# What a day that has come asks for, if its thing still stands as it did.
ON_THEIR_DAY = f"""
WITH d AS (SELECT unnest(%(ids)s::bigint[]) AS id),
found AS (
    SELECT 'appointment_reminder' AS kind, b.id || ':' || %(what)s AS ref, b.referral_id, b.id AS subject_id, b.site_id, '' AS reason
    FROM d JOIN results_booking b ON b.id = d.id AND b.status = 'booked' WHERE %(what)s LIKE 'remind%%' AND b.day > %(today)s
    UNION ALL
    SELECT 'histology_awaited', e.id::text, e.referral_id, e.id, NULL, 'histology'
    FROM d JOIN results_referral f ON f.id = d.id AND f.state = 'histology_due'
    JOIN LATERAL (SELECT e.* FROM results_examination e WHERE e.referral_id = f.id ORDER BY e.id DESC LIMIT 1) e ON true
    WHERE %(what)s = 'histology'
    UNION ALL
    SELECT 'site_chase', b.id || ':' || %(today)s, f.id, b.id, b.site_id, 'report'
    FROM d JOIN results_referral f ON f.id = d.id AND f.state = 'report_due'
    JOIN LATERAL (SELECT b.* FROM results_booking b WHERE b.referral_id = f.id AND b.status = 'attended'
                  ORDER BY b.id DESC LIMIT 1) b ON true
    WHERE %(what)s = 'chase' AND f.due_on < %(today)s
    UNION ALL
    SELECT 'wellbeing', e.id::text, e.referral_id, e.id, NULL, 'thirty_days' FROM d JOIN results_examination e ON e.id = d.id
    WHERE %(what)s = 'wellbeing' AND NOT EXISTS (
        SELECT 1 FROM results_aftercall c WHERE c.examination_id = e.id AND c.mark = 30 AND c.answer <> 'not_reached')
    UNION ALL
    SELECT 'surveillance_due', n.id::text, n.referral_id, n.id, NULL, 'surveillance' FROM d JOIN results_nextstep n ON n.id = d.id
    WHERE %(what)s = 'surveillance'
    UNION ALL
    SELECT CASE WHEN %(what)s LIKE 'sweep%%' THEN 'still_here' ELSE 'refusal' END, f.id || ':' || %(what)s, f.id, NULL, NULL,
           split_part(%(what)s, '_', 2)
    FROM d JOIN results_referral f ON f.id = d.id AND f.state = 'closed'
    WHERE %(what)s LIKE 'reoffer%%' AND f.close_reason = 'informed_refusal' OR %(what)s LIKE 'sweep%%' AND f.close_reason = 'not_reached')
SELECT w.kind, w.kind || ':' || w.ref AS key, f.person_id, NULL::bigint AS practice_id, o.round_id, NULL::bigint AS kit_id,
       o.result_id, f.id AS referral_id, '' AS side, %(today)s::date AS triggered_on, w.reason, w.subject_id, w.site_id,
       CASE WHEN w.kind <> 'appointment_reminder' THEN 'post'
            WHEN h.text_since IS NOT NULL AND p.phone <> '' OR h.email_since IS NULL THEN 'text' ELSE 'email' END AS channel
FROM found w JOIN results_referral f ON f.id = w.referral_id JOIN screening_person p ON p.id = f.person_id
LEFT JOIN outreach_wish h ON h.person_id = p.id {ROUND_OF} ORDER BY 2
"""


def letters_of_the_day(what: str, ids: Sequence[int], *, today: date) -> list[Candidate]:
    """What the days of one sort that have come ask for."""
    params = {"what": what, "ids": list(ids), "today": today}
    return [Candidate(**row) for row in rows_of(ON_THEIR_DAY, params)]
