"""Lists of people at or above the cutoff and their referrals: 1 to 9, 16, 19 and the offers made again."""

from django.utils.translation import gettext_lazy as _

from oversight.net.base import HIGH, LIVE, OWNER, NetList, person_of
from screening.services.records import records_of
from staff.roles import Role

_AGES = "CASE WHEN {0} <= %(today)s::date - {3} THEN 'long' WHEN {0} <= %(today)s::date - {2} THEN 'middle' ELSE 'short' END"

_DIED = "coalesce(p.deceased_on, own.deceased_on)"
"""When a person died, whichever of two records says so."""

NO_CONTACT = NetList(
    number=1,
    name="no_contact",
    title=_("At or above, and nobody has spoken with them"),
    question=_(
        "Whose result at or above was released a week ago or more, and nobody has talked with the person since?"
    ),
    what_to_do=_("Call today; follow the ladder, and record each attempt."),
    checked=LIVE,
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, f.opened_on AS since, {OWNER} AS owner,
       {_AGES.format("f.opened_on", 7, 14, 30)} AS note
FROM results_referral f LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE f.state IN ('to_reach', 'undecided') AND f.origin = 'result' AND f.opened_on <= %(today)s::date - 7
  AND NOT EXISTS (SELECT 1 FROM results_contactattempt a WHERE a.referral_id = f.id AND a.outcome = 'spoke')
""",
    notes={"short": _("more than 7 days"), "middle": _("more than 14 days"), "long": _("more than 30 days")},
)

NO_EXAMINATION = NetList(
    number=2,
    name="no_examination",
    title=_("At or above, and not examined after 90 days"),
    question=_(
        "Whose result at or above is older than 90 days without an examination, and nothing on file settles it?"
    ),
    what_to_do=_(
        "Look at what holds it up, with the unit; a clinician decides where the person cannot be examined."
    ),
    checked=HIGH,
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, min(e.authorised_on) AS since, coalesce(max(u.full_name), f.pool, '') AS owner,
       {_AGES.format("min(e.authorised_on)", 90, 180, 365)} AS note
FROM results_result e JOIN results_referralresult c ON c.result_id = e.id JOIN results_referral f ON f.id = c.referral_id
LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE e.is_current AND e.side = 'at_or_above' AND e.authorised_on <= %(today)s::date - 90
  AND f.state NOT IN ('', 'closed')
  AND NOT EXISTS (SELECT 1 FROM results_examination x WHERE x.referral_id = f.id)
GROUP BY f.id
""",
    notes={"short": _("more than 90 days"), "middle": _("more than 180 days"), "long": _("more than a year")},
)

OWNER_AWAY = NetList(
    number=3,
    name="owner_away",
    title=_("Referrals whose owner is away"),
    question=_("Who holds referrals and has left, or is away today without having handed them over?"),
    what_to_do=_("Hand everything over in one step, to a colleague or to everybody."),
    checked=LIVE,
    rows="""
SELECT 'user' AS thing, u.id, NULL::bigint AS person_id, min(f.due_on) AS since, u.full_name AS owner,
       CASE WHEN NOT u.is_active THEN 'left' ELSE 'away' END || ':' || count(*) AS note
FROM results_referral f JOIN staff_user u ON u.id = f.owner_id
WHERE f.state NOT IN ('', 'closed') AND (NOT u.is_active OR EXISTS (
    SELECT 1 FROM results_absence a WHERE a.user_id = u.id AND a.since <= %(today)s
    AND (a.until IS NULL OR a.until >= %(today)s)))
GROUP BY u.id
""",
    notes={"left": _("account closed; referrals held:"), "away": _("away; referrals held:")},
)

NO_ATTENDANCE = NetList(
    number=4,
    name="no_attendance",
    title=_("Booked day passed, nobody says who came"),
    question=_("Whose booked day has passed without a word on whether the person attended?"),
    what_to_do=_("Ask the unit today, and answer on “Who attended?”."),
    checked="SELECT count(*) FROM results_booking",
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, b.day AS since, {OWNER} AS owner, 'unanswered' AS note
FROM results_booking b JOIN results_referral f ON f.id = b.referral_id LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE b.status = 'booked' AND b.day < %(today)s
""",
    notes={"unanswered": _("attendance not answered")},
)

NO_REPORT = NetList(
    number=5,
    name="no_report",
    title=_("Examined, and the report or the histology is missing"),
    question=_(
        "Who was examined more than 5 days ago without a report, or has waited more than 21 days for histology?"
    ),
    what_to_do=_("Ask the unit or pathology for it, and write down what they say."),
    checked="SELECT count(*) FROM results_examination",
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, b.day AS since, {OWNER} AS owner, 'report' AS note
FROM results_referral f JOIN LATERAL (
    SELECT max(b.day) AS day FROM results_booking b WHERE b.referral_id = f.id AND b.status = 'attended') b ON true
LEFT JOIN staff_user u ON u.id = f.owner_id WHERE f.state = 'report_due' AND b.day <= %(today)s::date - 5
UNION ALL
SELECT 'referral', f.id, f.person_id, x.day, {OWNER}, 'histology' FROM results_referral f JOIN LATERAL (
    SELECT max(x.day) AS day FROM results_examination x WHERE x.referral_id = f.id) x ON true
LEFT JOIN staff_user u ON u.id = f.owner_id WHERE f.state = 'histology_due' AND x.day <= %(today)s::date - 21
""",
    notes={"report": _("no report"), "histology": _("no histology")},
)

NO_NEXT_LETTER = NetList(
    number=6,
    name="no_next_letter",
    title=_("Decided, and the person does not know"),
    question=_("For whom was the next step signed more than 10 days ago without a letter that left us?"),
    what_to_do=_("See on Today's mail what holds the letter; release it or ring the person."),
    checked="SELECT count(*) FROM results_nextstep",
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, n.signed_on AS since, coalesce(max(u.full_name), max(l.pool), '') AS owner,
       CASE WHEN count(l.id) = 0 THEN 'no_letter' ELSE 'waits' END AS note
FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id AND f.state = 'closed'
{person_of("f")} AND p.deceased_on IS NULL
LEFT JOIN outreach_letter l ON l.referral_id = f.id AND l.kind LIKE 'next_step%%' AND l.recipient = 'person'
LEFT JOIN staff_user u ON u.id = l.owner_id
WHERE n.signed_on <= %(today)s::date - 10
  AND NOT EXISTS (SELECT 1 FROM results_nextstep o WHERE o.referral_id = n.referral_id AND o.id > n.id)
GROUP BY f.id, n.id
HAVING NOT coalesce(bool_or(l.state IN ('handed_over', 'settled')), false)
""",
    notes={"no_letter": _("no letter"), "waits": _("its letter has not left")},
)

PLAN_PASSED = NetList(
    number=7,
    name="plan_passed",
    title=_("A clinician's day has passed"),
    question=_(
        "Whose day, set by a clinician for an examination or a new look, has passed without anything?"
    ),
    what_to_do=_("Take the plan up, or look at the pause and set the next day."),
    checked="SELECT (SELECT count(*) FROM results_nextstep WHERE step = 'surveillance')"
    " + (SELECT count(*) FROM results_referral WHERE state = 'paused_until')",
    who=Role.CLINICIAN,
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, f.due_on AS since, {OWNER} AS owner, 'pause' AS note
FROM results_referral f LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE f.state IN ('paused_until', 'repeat_planned') AND f.due_on < %(today)s
UNION ALL
SELECT 'person', f.person_id, f.person_id, n."on", 'clinicians', 'surveillance'
FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id
{person_of("f")} AND p.deceased_on IS NULL
WHERE n.step = 'surveillance' AND n."on" < %(today)s AND f.state = 'closed'
  AND NOT EXISTS (SELECT 1 FROM results_referral t WHERE t.plan_id = n.id)
  AND NOT EXISTS (SELECT 1 FROM results_nextstep o JOIN results_referral g ON g.id = o.referral_id
                  WHERE g.person_id = ANY({records_of("p")}) AND o.id > n.id)
""",
    notes={"pause": _("the pause is over"), "surveillance": _("surveillance was planned for that day")},
)

REACH_AGAIN = NetList(
    number=8,
    name="reach_again",
    title=_("Could not be reached, and now there is a new number"),
    question=_("Who was closed as “could not be reached” and has a new phone or address since?"),
    what_to_do=_("Open the referral again and ring the new number."),
    checked="SELECT count(*) FROM results_referral WHERE close_reason = 'not_reached'",
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, min(h.since AT TIME ZONE %(zone)s)::date AS since,
       'coordinators' AS owner, 'new_contact' AS note
FROM results_referral f {person_of("f")} AND p.deceased_on IS NULL
JOIN LATERAL (
    SELECT c.pgh_created_at AS since, c.phone, c.email, c.address_1 FROM screening_personhistory c WHERE c.pgh_obj_id = p.id
    UNION ALL SELECT m.decided_at, own.phone, own.email, own.address_1 FROM screening_personmerge m
    WHERE m.merged_id = own.id AND m.kept_id = p.id AND m.agreed AND m.undone_at IS NULL
) h ON h.since > f.closed_at
    AND ((h.phone <> p.phone AND p.phone <> '') OR (h.email <> p.email AND p.email <> '') OR h.address_1 <> p.address_1)
WHERE f.state = 'closed' AND f.close_reason = 'not_reached'
  AND NOT EXISTS (SELECT 1 FROM results_referral o WHERE o.person_id = ANY({records_of("p")}) AND o.id > f.id)
GROUP BY f.id
""",
    notes={"new_contact": _("new phone or address")},
)

UNIT_NOT_TOLD = NetList(
    number=9,
    name="unit_not_told",
    title=_("Died, moved or opted out with a referral open"),
    question=_("Who died, moved away or opted out after a result at or above, while the referral is still open?"),
    what_to_do=_("Tell the unit, cancel what is booked, and close or transfer the referral with its evidence."),
    checked=LIVE,
    rows=f"""
SELECT 'referral' AS thing, f.id, f.person_id, coalesce({_DIED}, p.left_area_on, s.since) AS since, {OWNER} AS owner,
       CASE WHEN {_DIED} IS NOT NULL THEN 'died' WHEN p.left_area_on IS NOT NULL THEN 'moved' ELSE 'opted_out' END
       || CASE WHEN EXISTS (SELECT 1 FROM results_booking b WHERE b.referral_id = f.id AND b.status = 'booked')
          THEN '_booked' ELSE '' END AS note
FROM results_referral f {person_of("f")} LEFT JOIN staff_user u ON u.id = f.owner_id
LEFT JOIN LATERAL (SELECT min(t.since) AS since FROM screening_stop t WHERE t.person_id = ANY({records_of("p")})
    AND t.scope = 'invitations' AND t.ended_on IS NULL AND t.since >= f.opened_on) s ON true
WHERE f.state NOT IN ('', 'closed')
  AND ({_DIED} IS NOT NULL OR p.left_area_on <= %(today)s OR s.since IS NOT NULL)
""",
    notes={
        "died": _("has died"), "moved": _("has moved away"), "opted_out": _("has opted out; ask about the examination"),
        "died_booked": _("has died; a day is still booked"), "moved_booked": _("has moved; a day is still booked"),
        "opted_out_booked": _("has opted out; a day is still booked"),
    },
)  # fmt: skip

BELOW_AFTER_HIGH = NetList(
    number=16,
    name="below_after_high",
    title=_("At or above, then below, and never examined"),
    question=_("Who had a result at or above and later one below, with no examination in between?"),
    what_to_do=_("A clinician looks at both: a later result below does not answer the earlier one."),
    checked=HIGH,
    who=Role.CLINICIAN,
    rows="""
SELECT DISTINCT ON (e.id) 'result' AS thing, e.id, e.person_id, b.authorised_on AS since, 'clinicians' AS owner, 'later' AS note
FROM results_result e JOIN results_result b ON b.person_id = e.person_id AND b.is_current AND b.side = 'below'
    AND b.round_id <> e.round_id AND b.authorised_at > e.authorised_at
WHERE e.is_current AND e.side = 'at_or_above' AND NOT EXISTS (
    SELECT 1 FROM results_examination x JOIN results_referral f ON f.id = x.referral_id
    WHERE f.person_id = e.person_id AND x.day >= e.analysed_on AND x.day <= b.authorised_on)
  AND NOT EXISTS (
    SELECT 1 FROM results_referralresult c JOIN results_referral f ON f.id = c.referral_id WHERE c.result_id = e.id
    AND f.state = 'closed' AND f.close_reason IN ('already_examined', 'examined_elsewhere', 'result_withdrawn'))
ORDER BY e.id, b.authorised_on
""",
    notes={"later": _("a later result is below")},
)

TRANSFER_NO_RECEIPT = NetList(
    number=19,
    name="transfer_no_receipt",
    title=_("Handed to another programme, and no receipt"),
    question=_("Whose referral was sent to another programme more than 14 days ago without a receipt?"),
    what_to_do=_("Ring the other programme; until it confirms, the person is ours."),
    checked=LIVE,
    rows="""
SELECT 'referral' AS thing, f.id, f.person_id, min(m.occurred_at AT TIME ZONE %(zone)s)::date AS since,
       coalesce(max(u.full_name), f.pool, '') AS owner, 'no_receipt' AS note
FROM outreach_letter l JOIN outreach_lettermove m ON m.subject_id = l.id AND m.event IN ('hand_over', 'sent')
JOIN results_referral f ON f.id = l.referral_id LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE l.kind = 'transfer' AND f.state NOT IN ('', 'closed')
GROUP BY f.id HAVING min(m.occurred_at AT TIME ZONE %(zone)s)::date <= %(today)s::date - 14
""",
    notes={"no_receipt": _("no receipt")},
)

RE_OFFERS = NetList(
    number=21,
    name="re_offers",
    title=_("Refused, and to be asked again"),
    question=_("Who declined or could not be reached, and the day to offer the examination again has come?"),
    what_to_do=_("Offer it again, and record the answer: a refusal closes nothing for good."),
    checked="SELECT count(*) FROM results_reoffer",
    rows="""
SELECT 're-offer' AS thing, o.id, f.person_id, o.due_on AS since, coalesce(u.full_name, 'coordinators') AS owner, 'due' AS note
FROM results_reoffer o JOIN results_referral f ON f.id = o.referral_id LEFT JOIN staff_user u ON u.id = o.owner_id
WHERE o.answer = '' AND o.due_on < %(today)s
""",
    notes={"due": _("the offer is due")},
)

LISTS = (
    NO_CONTACT, NO_EXAMINATION, OWNER_AWAY, NO_ATTENDANCE, NO_REPORT, NO_NEXT_LETTER, PLAN_PASSED, REACH_AGAIN, UNIT_NOT_TOLD,
    BELOW_AFTER_HIGH, TRANSFER_NO_RECEIPT, RE_OFFERS,
)  # fmt: skip
