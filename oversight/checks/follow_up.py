"""Checks on results at or above the cutoff and their referrals: I1, I2, I3."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from results.states import REFERRAL_CLOSE_REASONS

LIVE = "SELECT count(*) FROM results_referral WHERE state NOT IN ('', 'closed')"

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
    checked="SELECT count(*) FROM results_result WHERE is_current AND side = 'at_or_above'",
    offenders="""
SELECT 'result' AS thing, e.id, e.person_id, e.authorised_on AS since, coalesce(u.full_name, f.pool, '') AS owner,
       CASE WHEN f.id IS NULL THEN 'missing' WHEN f.state = '' THEN 'not_started' ELSE 'closed_oddly' END AS note
FROM results_result e
LEFT JOIN results_referralresult l ON l.result_id = e.id
LEFT JOIN results_referral f ON f.id = l.referral_id
LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE e.is_current AND e.side = 'at_or_above'
  AND (f.id IS NULL OR f.state = '' OR (f.state = 'closed' AND f.close_reason <> ALL(%(close_reasons)s)))
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
WHERE f.state NOT IN ('', 'closed') AND f.due_on <= %(two_working_days)s
""",
    notes={"overdue": _("past its date")},
)

CHECKS = (I1, I2, I3)
