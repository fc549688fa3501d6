"""Which rows: the facts behind stops, and post that is not opened; what an event asks for is in `wanted`."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.db import connection

from outreach.catalogue import KINDS
from outreach.stops import Facts
from screening.services.records import records_of

UNSENT = ("owed", "held", "frozen", "printed")
NOT_ON_PAPER = ("owed", "held", "frozen")


def rows_of(sql: str, params: dict[str, Any]) -> list[dict[str, Any]]:
    """The rows of a query as dicts."""
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


FACTS = f"""
SELECT l.id, l.kind, coalesce(rs.side, '') AS side, coalesce(rd.state, '') AS round_state,
    coalesce(fr.state, '') AS referral_state,
    p.deceased_on IS NOT NULL AS died, p.merged_into_id IS NOT NULL AS merged,
    p.left_area_on IS NOT NULL AND p.left_area_on <= %(today)s AS left_area, p.hidden_address,
    p.address_1 <> '' AND (p.locality <> '' OR p.postcode <> '') AS has_address,
    EXISTS (SELECT 1 FROM screening_stop s WHERE s.person_id = ANY({records_of("p")}) AND s.scope = 'invitations'
            AND s.ended_on IS NULL) AS opted_out,
    EXISTS (SELECT 1 FROM screening_stop s WHERE s.person_id = ANY({records_of("p")}) AND s.scope = 'doctor_copy'
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
    ELSE l.subject_id IS NOT NULL AND CASE l.kind
        WHEN 'surveillance_due' THEN EXISTS (
            SELECT 1 FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id
            WHERE n.id = l.subject_id AND (f.state <> 'closed' OR EXISTS (
                SELECT 1 FROM results_nextstep o WHERE o.referral_id = n.referral_id AND o.id > n.id)))
        WHEN 'wellbeing' THEN EXISTS (SELECT 1 FROM results_adverseevent v WHERE v.examination_id = l.subject_id)
        WHEN 'wellbeing_message' THEN EXISTS (SELECT 1 FROM results_adverseevent v WHERE v.examination_id = l.subject_id)
        WHEN 'opt_out' THEN EXISTS (SELECT 1 FROM screening_stop s WHERE s.id = l.subject_id AND s.ended_on IS NOT NULL)
        WHEN 'postponement' THEN EXISTS (
            SELECT 1 FROM screening_exclusion x WHERE x.id = l.subject_id AND x.until <= %(today)s)
        ELSE false END END AS reason_overtaken,
    l.kind IN ('appointment', 'appointment_reminder') AND NOT EXISTS (
        SELECT 1 FROM results_booking b WHERE b.id = l.subject_id AND b.status = 'booked') AS booking_gone,
    l.kind = 'corrected_result' AS tell_by_phone_first,
    l.channel <> 'post' AND EXISTS (SELECT 1 FROM screening_stop s WHERE s.person_id = ANY({records_of("p")}) AND s.scope = l.channel
            AND s.ended_on IS NULL) AS objects_channel,
    CASE l.channel
        WHEN 'text' THEN p.phone = '' OR NOT EXISTS (
            SELECT 1 FROM outreach_wish h WHERE h.person_id = p.id AND h.text_since <= %(today)s)
        WHEN 'email' THEN p.email = '' OR NOT EXISTS (
            SELECT 1 FROM outreach_wish h WHERE h.person_id = p.id AND h.email_since <= %(today)s)
        ELSE false END AS no_consent,
    CASE WHEN l.kind = 'next_step' THEN EXISTS (
        SELECT 1 FROM results_nextstep n WHERE n.id = split_part(l.key, ':', 2)::bigint
        AND n.finding IN ('cancer', 'other_cancer'))
    ELSE false END AS cancer_found,
    CASE WHEN l.kind = 'sample_question' THEN NOT EXISTS (
        SELECT 1 FROM screening_return b WHERE b.id = split_part(l.key, ':', 3)::bigint AND b.state = 'set_aside')
    ELSE false END AS question_answered,
    l.kind IN ('result_below', 'advance_notice') AND EXISTS (
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
            AND split_part(o.key, ':', 3) = split_part(l.key, ':', 3) AND o.subject_id IS NOT DISTINCT FROM l.subject_id
            AND o.state NOT IN ('cancelled', 'superseded', 'settled')) AS duplicate,
    CASE WHEN l.last_seq > 2 THEN ARRAY(
        SELECT m.reason FROM outreach_lettermove m WHERE m.subject_id = l.id AND m.event = 'release')
    ELSE '{{}}' END AS cleared
FROM outreach_letter l
JOIN screening_person p ON p.id = l.person_id
LEFT JOIN screening_round rd ON rd.id = l.round_id
LEFT JOIN screening_kit k ON k.id = l.kit_id
LEFT JOIN results_result rs ON rs.id = l.result_id
LEFT JOIN results_referral fr ON fr.id = l.referral_id
WHERE l.id = ANY(%(ids)s)
"""


def stop_facts(letter_ids: Sequence[int], *, today: date) -> list[tuple[int, str, Facts]]:
    """(letter, kind, facts) for each of these letters, in one query."""
    found = []
    for row in rows_of(FACTS, {"ids": list(letter_ids), "today": today}):
        letter, kind = row.pop("id"), row.pop("kind")
        while_in, state = KINDS[kind].while_referral, row.pop("referral_state")
        moved_on = row.pop("booking_gone") or bool(while_in and state not in while_in)
        facts = Facts(**row | {"moved_on": moved_on, "cleared": frozenset(row["cleared"])})
        found.append((letter, kind, facts))
    return found


UNOPENED = """
SELECT d.id, d.arrived_on, d.label, d.site_id, s.name AS site
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


OWED = """
SELECT EXISTS (SELECT 1 FROM outreach_lettertodo) OR EXISTS (SELECT 1 FROM outreach_letterdate WHERE "on" <= %(today)s)
    OR EXISTS (
        SELECT 1 FROM outreach_outreachpolicy o JOIN screening_protocol p ON p.id = o.protocol_id
        WHERE o.advance_days > 0 AND p.approved_by_id IS NOT NULL AND p.valid_from <= %(today)s
        AND (p.valid_to IS NULL OR p.valid_to > %(today)s) AND NOT EXISTS (
            SELECT 1 FROM outreach_plannedday d WHERE d.feed = 'advance_notice' AND d.day >= %(today)s::date + o.advance_days)
    ) AS owed
"""


def anything_owed(*, today: date) -> bool:
    """Whether a sweep has anything to plan: three looks at the first entry of an index."""
    return bool(rows_of(OWED, {"today": today})[0]["owed"])
