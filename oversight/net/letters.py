"""Lists of post that did not leave or came back: 17 and 18."""

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

LISTS = (PRINTED, BOUNCED)
