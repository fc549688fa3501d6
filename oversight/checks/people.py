"""Checks on people: I14, I15, I31, I40, I43."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from oversight.checks.person_sql import NEXT_STEPS

I14 = Check(
    name="I14",
    severity=Severity.P1,
    title=_("Nobody is in two places at once"),
    sentence=_(
        "No person has two open rounds or two live referrals, or is being invited while in surveillance."
    ),
    who=_("Administrator"),
    what_to_do=_(
        "Decide which one stands with the colleague who holds it, and close the other with its reason."
    ),
    in_words=_(
        "People (merged records counted as one) with more than one open round or live referral, or with a kit out while in surveillance."
    ),
    checked="SELECT count(*) FROM screening_person p WHERE p.merged_into_id IS NULL /*of person p.id*/",
    offenders="""
WITH rounds AS (
    SELECT coalesce(p.merged_into_id, p.id) AS person, r.state, r.invited_on AS day
    FROM screening_round r JOIN screening_person p ON p.id = r.person_id WHERE r.state NOT IN ('', 'closed')
    /*of person p.id*/
), referrals AS (
    SELECT coalesce(p.merged_into_id, p.id) AS person, f.opened_on AS day
    FROM results_referral f JOIN screening_person p ON p.id = f.person_id WHERE f.state NOT IN ('', 'closed')
    /*of person p.id*/
)
SELECT 'person' AS thing, person AS id, person AS person_id, max(day) AS since, '' AS owner, 'rounds' AS note
FROM rounds GROUP BY person HAVING count(*) > 1
UNION ALL
SELECT 'person', person, person, max(day), '', 'referrals' FROM referrals GROUP BY person HAVING count(*) > 1
UNION ALL
SELECT 'person', r.person, r.person, max(r.day), '', 'surveillance' FROM rounds r
JOIN screening_exclusion x ON x.person_id = r.person AND x.kind = 'surveillance' AND x.since <= %(today)s
    AND (x.until IS NULL OR x.until > %(today)s)
WHERE r.state IN ('kit_due', 'kit_out') GROUP BY r.person
""",
    notes={
        "rounds": _("two open rounds"),
        "referrals": _("two live referrals"),
        "surveillance": _("invited while in surveillance"),
    },
)

I15 = Check(
    name="I15",
    severity=Severity.P1,
    title=_("Everybody has exactly one next step"),
    sentence=_(
        "Every living person of the region in the age band has one next step: a day on which to be invited, an open round, an"
        " open referral, or a recorded reason that still holds."
    ),
    who=_("Call and recall office"),
    what_to_do=_(
        "Open the person's record; “Why not due?” says what is missing. Have the next dates computed again."
    ),
    in_words=_(
        "Living residents, not merged, in the age band of the protocol, that have neither a day nor an open round or referral"
        " nor a reason, or two of these, or a reason that its own record does not bear out."
    ),
    checked="""
SELECT count(*) FROM screening_person p, screening_screeningpolicy s JOIN screening_protocol o ON o.id = s.protocol_id
WHERE o.approved_by_id IS NOT NULL AND o.valid_from <= %(today)s AND (o.valid_to IS NULL OR o.valid_to > %(today)s)
  AND p.deceased_on IS NULL AND p.merged_into_id IS NULL AND (p.left_area_on IS NULL OR p.left_area_on > %(today)s)
  AND p.birth_date <= (%(today)s::date - make_interval(years => s.age_from))::date
  AND p.birth_date > (%(today)s::date - make_interval(years => s.age_to + 1))::date /*of person p.id*/""",
    offenders=NEXT_STEPS,
    notes={
        "nothing": _("no next step at all"),
        "two": _("a day to be invited and something open besides"),
        "unfounded": _("the reason is not borne out"),
    },
)

I31 = Check(
    name="I31",
    severity=Severity.P2,
    title=_("Nobody is put off for ever"),
    sentence=_(
        "Everybody who postponed has a day on which the wait ends, at most twelve months after it began."
    ),
    who=_("Call and recall office"),
    what_to_do=_("Ask the person, and set a day within twelve months or record what was decided."),
    in_words=_(
        "Postponements that still run and have no end, or one more than twelve months after they began."
    ),
    checked="""
SELECT count(*) FROM screening_exclusion x WHERE x.kind = 'postponed' AND (x.until IS NULL OR x.until > %(today)s)
/*of person x.person_id*/""",
    offenders="""
SELECT 'person' AS thing, x.person_id AS id, x.person_id, x.since, coalesce(u.full_name, '') AS owner, 'too_long' AS note
FROM screening_exclusion x LEFT JOIN staff_user u ON u.id = x.recorded_by_id
WHERE x.kind = 'postponed' AND (x.until IS NULL OR x.until > %(today)s)
  AND (x.until IS NULL OR x.until > (x.since + interval '12 months')::date) /*of person x.person_id*/
""",
    notes={"too_long": _("no end within twelve months")},
)

I40 = Check(
    name="I40",
    severity=Severity.P1,
    title=_("A merged record leaves nothing behind"),
    sentence=_(
        "Every record merged into another was merged by two people, points to a record that stands for itself, and has no"
        " open round, live referral or day to be invited of its own that its survivor has too."
    ),
    who=_("Administrator"),
    what_to_do=_(
        "Take the merge back or have the two people agree to it; settle what is open on both records."
    ),
    in_words=_(
        "Merged records without an agreed merge, agreed merges that the record does not carry, chains of merged records, and"
        " merged records that would still be invited."
    ),
    checked="SELECT count(*) FROM screening_person p WHERE p.merged_into_id IS NOT NULL /*of person p.id*/",
    offenders="""
SELECT 'person' AS thing, p.id, p.id AS person_id, NULL::date AS since, 'administrators' AS owner,
       CASE WHEN k.id IS NULL OR k.merged_into_id IS NOT NULL THEN 'chain' WHEN p.next_due_on IS NOT NULL THEN 'due'
            ELSE 'no_merge' END AS note
FROM screening_person p LEFT JOIN screening_person k ON k.id = p.merged_into_id
WHERE p.merged_into_id IS NOT NULL /*of person p.id*/
  AND (k.id IS NULL OR k.merged_into_id IS NOT NULL OR p.next_due_on IS NOT NULL OR NOT EXISTS (
      SELECT 1 FROM screening_personmerge m WHERE m.merged_id = p.id AND m.kept_id = p.merged_into_id AND m.agreed
      AND m.undone_at IS NULL))
UNION ALL
SELECT 'person', p.id, p.id, (m.decided_at AT TIME ZONE %(zone)s)::date, 'administrators', 'not_carried'
FROM screening_personmerge m JOIN screening_person p ON p.id = m.merged_id
WHERE m.agreed AND m.undone_at IS NULL AND p.merged_into_id IS DISTINCT FROM m.kept_id /*of person p.id*/
""",
    notes={
        "chain": _("merged into a record that is itself merged"),
        "due": _("would still be invited"),
        "no_merge": _("nobody agreed to this merge"),
        "not_carried": _("an agreed merge is not carried out"),
    },
)

I43 = Check(
    name="I43",
    severity=Severity.P1,
    title=_("Every death stopped what was booked and written"),
    sentence=_(
        "For everybody whose death the register has told us of, no booking waits, no round is open, and no letter to the home"
        " is on its way, one working day later."
    ),
    who=_("Coordinators"),
    what_to_do=_("Cancel the booking with the unit, stop the letters, and close what is open as “died”."),
    in_words=_(
        "People with a day of death known to us for more than a working day who have a booking still to come, a round that"
        " waits for them, or a letter to the home frozen or printed."
    ),
    checked="SELECT count(*) FROM screening_person p WHERE p.deceased_on IS NOT NULL /*of person p.id*/",
    offenders="""
WITH dead AS MATERIALIZED (
    SELECT p.id, greatest(p.deceased_on, coalesce(((SELECT max(h.pgh_created_at) FROM screening_personhistory h
        WHERE h.pgh_obj_id = p.id AND h.deceased_on IS NULL) AT TIME ZONE %(zone)s)::date, p.deceased_on)) AS known
    FROM screening_person p WHERE p.deceased_on IS NOT NULL /*of person p.id*/
)
SELECT 'booking' AS thing, b.id, d.id AS person_id, d.known AS since, coalesce(u.full_name, '') AS owner, 'booked' AS note
FROM dead d JOIN results_referral f ON f.person_id = d.id JOIN results_booking b ON b.referral_id = f.id
LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE b.status = 'booked' AND b.day >= d.known AND d.known <= %(one_working_day)s
UNION ALL
SELECT 'round', r.id, d.id, d.known, r.pool, 'round' FROM dead d JOIN screening_round r ON r.person_id = d.id
WHERE r.state IN ('kit_due', 'kit_out') AND d.known <= %(one_working_day)s
UNION ALL
SELECT 'letter', l.id, d.id, d.known, l.pool, 'letter' FROM dead d JOIN outreach_letter l ON l.person_id = d.id
WHERE l.recipient = 'person' AND l.state IN ('frozen', 'printed', 'sending') AND d.known <= %(one_working_day)s
""",
    notes={
        "booked": _("a booking still stands"),
        "round": _("a round still waits for a kit"),
        "letter": _("a letter to the home is still on its way out"),
    },
)

CHECKS = (I14, I15, I31, I40, I43)
