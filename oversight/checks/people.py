"""Checks on people: I14."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity

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
    checked="SELECT count(*) FROM screening_person WHERE merged_into_id IS NULL",
    offenders="""
WITH rounds AS (
    SELECT coalesce(p.merged_into_id, p.id) AS person, r.state, r.invited_on AS day
    FROM screening_round r JOIN screening_person p ON p.id = r.person_id WHERE r.state NOT IN ('', 'closed')
), referrals AS (
    SELECT coalesce(p.merged_into_id, p.id) AS person, f.opened_on AS day
    FROM results_referral f JOIN screening_person p ON p.id = f.person_id WHERE f.state NOT IN ('', 'closed')
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

CHECKS = (I14,)
