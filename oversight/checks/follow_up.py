"""Checks on results at or above the cutoff and their referrals: I1, I2, I3, I4."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from results.referral_ladder import LadderPolicy
from results.states import REFERRAL_CLOSE_REASONS

LIVE = "SELECT count(*) FROM results_referral f WHERE f.state NOT IN ('', 'closed') /*of person f.person_id*/"

I1 = Check(
    name="I1",
    severity=Severity.P1,
    title=_("Every result at or above has its referral"),
    sentence=_(
        "Every released result at or above its cutoff that still stands has one referral, live or closed for an"
        " allowed reason."
    ),
    who=_("Coordinators"),
    what_to_do=_(
        "Open the person's record and start the referral today; tell the administrator why it was missing."
    ),
    in_words=_(
        "Current results at or above whose referral is missing, was never started, or is closed without an allowed reason."
    ),
    checked="""
SELECT count(*) FROM results_result e WHERE e.is_current AND e.side = 'at_or_above' /*of person e.person_id*/""",
    offenders="""
SELECT 'result' AS thing, e.id, e.person_id, e.authorised_on AS since, coalesce(u.full_name, f.pool, '') AS owner,
       CASE WHEN f.id IS NULL THEN 'missing' WHEN f.state = '' THEN 'not_started' ELSE 'closed_oddly' END AS note
FROM results_result e
LEFT JOIN results_referralresult l ON l.result_id = e.id
LEFT JOIN results_referral f ON f.id = l.referral_id
LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE e.is_current AND e.side = 'at_or_above'
  AND (f.id IS NULL OR f.state = '' OR (f.state = 'closed' AND f.close_reason <> ALL(%(close_reasons)s)))
  /*of person e.person_id*/
""",
    notes={
        "missing": _("no referral"),
        "not_started": _("referral never started"),
        "closed_oddly": _("closed without an allowed reason"),
    },
    params={"close_reasons": sorted(REFERRAL_CLOSE_REASONS)},
)

I2 = Check(
    name="I2",
    severity=Severity.P1,
    title=_("Every live referral is somebody's, with a next date"),
    sentence=_(
        "Every live referral belongs to an active user or a pool, and its next date is at most 30 days ahead (365 when"
        " it is booked, paused until a date, or waits for a planned repeat)."
    ),
    who=_("Coordinators"),
    what_to_do=_(
        "Take the referral over or hand it to a colleague, and set the day on which somebody acts next."
    ),
    in_words=_(
        "Live referrals without an active owner or a pool, without a next date, or with one too far ahead."
    ),
    checked=LIVE,
    offenders="""
SELECT 'referral' AS thing, f.id, f.person_id, f.opened_on AS since, coalesce(u.full_name, f.pool, '') AS owner,
       CASE WHEN f.owner_id IS NULL AND f.pool = '' THEN 'nobody' WHEN NOT coalesce(u.is_active, true) THEN 'left'
            WHEN f.due_on IS NULL THEN 'no_date' ELSE 'too_far' END AS note
FROM results_referral f LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE f.state NOT IN ('', 'closed')
  AND ((f.owner_id IS NULL AND f.pool = '') OR NOT coalesce(u.is_active, true) OR f.due_on IS NULL
       OR f.due_on > CASE WHEN f.state IN ('booked', 'paused_until', 'repeat_planned') THEN %(in_a_year)s::date
                          ELSE %(in_a_month)s::date END)
  /*of person f.person_id*/
""",
    notes={
        "nobody": _("belongs to nobody"),
        "left": _("its owner's account is closed"),
        "no_date": _("no next date"),
        "too_far": _("next date too far ahead"),
    },
)

I3 = Check(
    name="I3",
    severity=Severity.P1,
    title=_("No referral waits past its date"),
    sentence=_("No live referral's next date is more than two working days past."),
    who=_("Coordinators"),
    what_to_do=_("Do what was due, or record why not and set the next day."),
    in_words=_(
        "Live referrals whose next date lies more than two working days back (weekends and closed days not counted)."
    ),
    checked=LIVE,
    offenders="""
SELECT 'referral' AS thing, f.id, f.person_id, f.due_on AS since, coalesce(u.full_name, f.pool, '') AS owner,
       'overdue' AS note
FROM results_referral f LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE f.state NOT IN ('', 'closed') AND f.due_on <= %(two_working_days)s /*of person f.person_id*/
""",
    notes={"overdue": _("past its date")},
)

I4 = Check(
    name="I4",
    severity=Severity.P1,
    title=_("No referral is closed without its evidence"),
    sentence=_(
        "Every closed referral has the evidence its reason demands: a signed next step, a clinician with a note, a"
        " document, the attempts and a second person, or a death in the register."
    ),
    who=_("Clinicians"),
    what_to_do=_("Open the referral again and close it only with what its reason demands."),
    in_words=_(
        "Closed referrals without a row of evidence for the reason they carry, or whose evidence lacks what that reason"
        " demands. For “could not be reached”: fewer attempts since the last talk than the ladder asks for."
    ),
    checked="SELECT count(*) FROM results_referral f WHERE f.state = 'closed' /*of person f.person_id*/",
    offenders="""
WITH shut AS (
    SELECT f.id, f.person_id, f.close_reason AS reason, f.closed_at, e.id AS evidence, e.document, e.note, e.clinician_id,
           e.second_person_id, e.closed_by_id, e.next_step_id
    FROM results_referral f LEFT JOIN LATERAL (
        SELECT e.* FROM results_closingevidence e WHERE e.referral_id = f.id AND e.reason = f.close_reason
        ORDER BY e.id DESC LIMIT 1) e ON true
    WHERE f.state = 'closed' /*of person f.person_id*/
), judged AS (
    SELECT s.*, CASE
        WHEN s.evidence IS NULL THEN 'no_evidence'
        WHEN s.reason = 'next_step_signed' AND NOT EXISTS (
            SELECT 1 FROM results_nextstep n WHERE n.id = s.next_step_id AND n.referral_id = s.id) THEN 'no_step'
        WHEN s.reason IN ('informed_refusal', 'unfit_for_good', 'surveillance_ended', 'already_examined',
            'examined_elsewhere', 'result_withdrawn') AND s.clinician_id IS NULL THEN 'no_clinician'
        WHEN s.reason IN ('informed_refusal', 'unfit_for_good', 'surveillance_ended') AND s.note = '' THEN 'no_note'
        WHEN s.reason IN ('already_examined', 'examined_elsewhere', 'transferred') AND s.document = '' THEN 'no_document'
        WHEN s.reason = 'not_reached' AND (s.second_person_id IS NULL OR s.second_person_id = s.closed_by_id)
            THEN 'no_second'
        WHEN s.reason = 'not_reached' AND %(min_attempts)s > (
            SELECT count(*) FROM results_contactattempt a WHERE a.referral_id = s.id AND a.outcome <> 'spoke'
            AND a.made_at <= s.closed_at AND a.made_at > coalesce((
                SELECT max(t.made_at) FROM results_contactattempt t WHERE t.referral_id = s.id AND t.outcome = 'spoke'
                AND t.made_at <= s.closed_at), '-infinity')) THEN 'few_attempts'
        WHEN s.reason = 'died' AND NOT EXISTS (
            SELECT 1 FROM screening_person p WHERE p.id = s.person_id AND p.deceased_on IS NOT NULL) THEN 'lives'
        END AS note_code FROM shut s)
SELECT 'referral' AS thing, j.id, j.person_id, (j.closed_at AT TIME ZONE %(zone)s)::date AS since,
       coalesce(u.full_name, '') AS owner, j.note_code AS note
FROM judged j LEFT JOIN staff_user u ON u.id = j.closed_by_id WHERE j.note_code IS NOT NULL
""",
    notes={
        "no_evidence": _("no evidence for its reason"),
        "no_step": _("no signed next step"),
        "no_clinician": _("no clinician"),
        "no_note": _("no note"),
        "no_document": _("no document"),
        "no_second": _("no second person"),
        "few_attempts": _("too few attempts"),
        "lives": _("the register knows of no death"),
    },
    params={"min_attempts": LadderPolicy().min_attempts},
)

CHECKS = (I1, I2, I3, I4)
