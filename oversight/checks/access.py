"""Checks on who looks and who may sign in: I37, I38."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from staff.confirmed_sql import CONFIRMED, CONFIRMED_DAYS, LIVE

I37 = Check(
    name="I37",
    severity=Severity.P2,
    title=_("Every record opened with a reason was reviewed"),
    sentence=_(
        "Whoever opened a person outside their lists gave a reason, and an auditor, never the one who looked, reviewed it within"
        " five working days."
    ),
    who=_("Auditor"),
    what_to_do=_(
        "Open “Opened with a reason”, read the oldest reasons first and review them; ask whoever looked where the words say too little."
    ),
    in_words=_(
        "Looks given a reason more than five working days ago that nobody has reviewed, looks without a reason, and looks whose"
        " reviewer was the one who looked. A review that came late ends the entry; the review keeps its day."
    ),
    checked="SELECT count(*) FROM screening_reasonedlook l WHERE true /*of person l.person_id*/",
    offenders="""
SELECT 'look' AS thing, l.id, l.person_id, l.day AS since, coalesce(u.full_name, '') AS owner,
       CASE WHEN l.purpose NOT IN ('call', 'check') THEN 'no_reason' WHEN r.own THEN 'own' ELSE 'waiting' END AS note
FROM screening_reasonedlook l LEFT JOIN staff_user u ON u.id = l.user_id
LEFT JOIN (SELECT v.look_id, bool_or(v.reviewed_by_id = k.user_id) AS own FROM screening_lookreview v
           JOIN screening_reasonedlook k ON k.id = v.look_id WHERE true /*of person k.person_id*/ GROUP BY 1) r ON r.look_id = l.id
WHERE (l.purpose NOT IN ('call', 'check') OR r.own OR (r.look_id IS NULL AND l.day <= %(five_working_days)s))
  /*of person l.person_id*/
""",
    notes={
        "no_reason": _("no reason was given"),
        "own": _("reviewed by the one who looked"),
        "waiting": _("not reviewed yet"),
    },
)

I38 = Check(
    name="I38",
    severity=Severity.P3,
    title=_("Somebody answers for every live account"),
    sentence=_(
        "Every person with a live account was added, given their roles, or confirmed by the manager or an administrator in the"
        " last 90 days; nobody confirms their own account."
    ),
    who=_("Manager"),
    what_to_do=_(
        "Open “Who may sign in”, confirm who still works here, and have an administrator close the accounts of those who left."
    ),
    in_words=_("Live accounts of people, not of programs, whose last confirmation is older than 90 days."),
    checked=f"SELECT count(*) {LIVE}",
    offenders=f"""
SELECT 'account' AS thing, a.id, NULL::bigint AS person_id, (a.at AT TIME ZONE %(zone)s)::date AS since, a.full_name AS owner,
       CASE WHEN a.at IS NULL THEN 'never' ELSE 'late' END AS note
FROM ({CONFIRMED}) a WHERE a.at IS NULL OR (a.at AT TIME ZONE %(zone)s)::date < %(today)s::date - %(confirmed_days)s
""",
    notes={"never": _("never confirmed"), "late": _("the last confirmation is too old")},
    params={"confirmed_days": CONFIRMED_DAYS},
)

CHECKS = (I37, I38)
