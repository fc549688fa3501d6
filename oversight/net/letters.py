"""Lists of post that did not leave or came back, and of what a doctor's system did not take: 17, 18 and 22."""

from django.utils.translation import gettext_lazy as _

from oversight.net.base import NetList
from staff.roles import Role

PRINTED = NetList(
    number=17,
    name="printed",
    title=_("Printed, and never handed over"),
    question=_("Which letters were printed two weeks ago or more and never handed to the post?"),
    what_to_do=_("Find the print run: hand it over, or pull the letters."),
    checked="SELECT count(*) FROM outreach_letter",
    who=Role.PHONE_DESK,
    rows="""
SELECT 'letter' AS thing, l.id, l.person_id, (l.state_since AT TIME ZONE %(zone)s)::date AS since,
       coalesce(u.full_name, l.pool) AS owner, l.kind AS note
FROM outreach_letter l LEFT JOIN staff_user u ON u.id = l.owner_id
WHERE l.state IN ('printed', 'sending') AND (l.state_since AT TIME ZONE %(zone)s)::date <= %(today)s::date - 14
""",
)

BOUNCED = NetList(
    number=18,
    name="bounced",
    title=_("Came back, and nothing else was tried"),
    question=_("Whose letter or kit came back undelivered, and the day to find another way has passed?"),
    what_to_do=_(
        "Look for the right address or number; where there is none, close the round as undeliverable."
    ),
    checked="SELECT (SELECT count(*) FROM outreach_letter WHERE state IN ('undelivered', 'settled'))"
    " + (SELECT count(*) FROM screening_kit WHERE state IN ('undelivered', 'reported_lost'))",
    who=Role.PHONE_DESK,
    rows="""
SELECT 'letter' AS thing, l.id, l.person_id, (l.state_since AT TIME ZONE %(zone)s)::date AS since,
       coalesce(u.full_name, l.pool) AS owner, 'letter' AS note
FROM outreach_letter l LEFT JOIN staff_user u ON u.id = l.owner_id
WHERE l.state = 'undelivered' AND l.due_on < %(today)s
UNION ALL
SELECT 'round', r.id, r.person_id, (r.state_since AT TIME ZONE %(zone)s)::date, coalesce(u.full_name, r.pool), 'kit'
FROM screening_round r LEFT JOIN staff_user u ON u.id = r.owner_id
WHERE r.state = 'kit_due' AND r.due_on < %(today)s AND EXISTS (
    SELECT 1 FROM screening_kit k WHERE k.round_id = r.id AND k.state IN ('undelivered', 'reported_lost'))
""",
    notes={"letter": _("a letter came back"), "kit": _("the kit came back undelivered or is lost")},
)

NOTICE_GIVEN_UP = NetList(
    number=22,
    name="notice_given_up",
    title=_("A doctor's system never took the notice"),
    question=_("Which notices to a practice's system were given up, and nobody has settled them?"),
    what_to_do=_("Mend the address and give them again, or tell the practice another way and record how."),
    checked="SELECT count(*) FROM outreach_notice WHERE state NOT IN ('taken', 'dropped')",
    who=Role.ADMINISTRATOR,
    rows="""
SELECT 'notice' AS thing, n.id, l.person_id, (coalesce((SELECT max(t.at) FROM outreach_noticeattempt t
       WHERE t.notice_id = n.id), n.made_at) AT TIME ZONE %(zone)s)::date AS since,
       coalesce(u.full_name, n.pool) AS owner, CASE WHEN n.due_on < %(today)s THEN 'late' ELSE 'owned' END AS note
FROM outreach_notice n JOIN outreach_letter l ON l.id = n.letter_id LEFT JOIN staff_user u ON u.id = n.owner_id
WHERE n.state = 'given_up'
""",
    notes={"late": _("the day to settle it has passed"), "owned": _("somebody has it in hand")},
)

LISTS = (PRINTED, BOUNCED, NOTICE_GIVEN_UP)
