"""Checks on kits in the building and readings from the analysers: I18, I25."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity

I18 = Check(
    name="I18",
    severity=Severity.P1,
    title=_("Every kit that came has an answer within a week"),
    sentence=_(
        "Every kit received reaches a released result, “unsuitable” or “not measurable” within seven days, or is on a"
        " hold list that somebody owns."
    ),
    who=_("Laboratory and front desk"),
    what_to_do=_("Find the kit, then measure it, solve its question, or record why it cannot be tested."),
    in_words=_(
        "Returns that arrived more than seven days ago and have neither an end nor a hold with an owner."
    ),
    checked="SELECT count(*) FROM screening_return WHERE state <> 'undone'",
    offenders="""
SELECT 'return' AS thing, b.id, r.person_id, b.arrived_on AS since,
       coalesce(u.full_name, nullif(s.pool, ''), b.pool) AS owner,
       CASE WHEN b.state IN ('', 'logged') THEN 'logged' WHEN b.state = 'set_aside' THEN 'set_aside'
            WHEN s.id IS NULL THEN 'no_sample' WHEN s.state = 'reported' THEN 'no_result' ELSE 'waiting' END AS note
FROM screening_return b
JOIN screening_kit k ON k.id = b.kit_id
LEFT JOIN screening_round r ON r.id = k.round_id
LEFT JOIN results_sample s ON s.return_of_id = b.id
LEFT JOIN staff_user u ON u.id = coalesce(s.owner_id, b.owner_id)
WHERE b.arrived_on <= %(seven_days)s AND b.state NOT IN ('undone', 'unsuitable')
  AND NOT (b.state = 'set_aside' AND b.due_on IS NOT NULL AND (b.owner_id IS NOT NULL OR b.pool <> ''))
  AND NOT coalesce(s.state IN ('not_measurable', 'unsuitable'), false)
  AND NOT coalesce(s.state = 'held' AND s.due_on IS NOT NULL AND (s.owner_id IS NOT NULL OR s.pool <> ''), false)
  AND NOT (coalesce(s.state = 'reported', false) AND EXISTS (
      SELECT 1 FROM results_result e WHERE e.sample_id = s.id AND e.is_current))
""",
    notes={
        "logged": _("logged, and nothing since"),
        "set_aside": _("set aside without an owner or a date"),
        "no_sample": _("ready, but never reached the bench"),
        "no_result": _("reported, but no result stands"),
        "waiting": _("still on the bench"),
    },
)

I25 = Check(
    name="I25",
    severity=Severity.P1,
    title=_("Every analyser reading has a home"),
    sentence=_("No line of a readings file stays unmatched and unsettled for more than one working day."),
    who=_("Laboratory"),
    what_to_do=_("Open the readings file, match the line to its sample or settle it with a note."),
    in_words=_(
        "Lines of readings files that were not taken and carry no settling note, older than one working day."
    ),
    checked="SELECT count(*) FROM results_inboxline",
    offenders="""
SELECT 'inbox line' AS thing, i.id, NULL::bigint AS person_id, (i.at AT TIME ZONE %(zone)s)::date AS since,
       'laboratory' AS owner, i.verdict AS note
FROM results_inboxline i
WHERE i.verdict <> 'taken' AND i.settled_note = '' AND (i.at AT TIME ZONE %(zone)s)::date <= %(one_working_day)s
""",
)

CHECKS = (I18, I25)
