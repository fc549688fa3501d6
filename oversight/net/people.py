"""Lists of people the programme may have lost sight of: 12 to 15."""

from django.utils.translation import gettext_lazy as _

from oversight.net.base import NetList, person_of
from screening.services.records import records_of
from staff.roles import Role

_POLICY = """policy AS (
    SELECT s.age_from, s.age_to, s.interval_months FROM screening_screeningpolicy s JOIN screening_protocol o ON o.id = s.protocol_id
    WHERE o.approved_by_id IS NOT NULL AND o.valid_from <= %(today)s AND (o.valid_to IS NULL OR o.valid_to > %(today)s)
)"""
_LIVING = """p.deceased_on IS NULL AND p.merged_into_id IS NULL AND (p.left_area_on IS NULL OR p.left_area_on > %(today)s)"""

NEVER_INVITED = NetList(
    number=12,
    name="never_invited",
    title=_("In the age band, and never invited"),
    question=_("Who has been due for more than six months and was never invited at all?"),
    what_to_do=_("Put them into the next batches; where the address or birth date is missing, have the register mended."),
    checked="SELECT count(*) FROM screening_person",
    who=Role.MANAGER,
    rows=f"""
SELECT 'person' AS thing, p.id, p.id AS person_id, coalesce(p.next_due_on, NULL) AS since, 'office' AS owner,
       CASE WHEN p.next_due_on IS NOT NULL THEN 'waits' ELSE p.not_due_code END AS note
FROM screening_person p
WHERE {_LIVING} AND (p.next_due_on <= (%(today)s::date - interval '6 months')::date
    OR p.not_due_code IN ('no_address', 'no_birth_date'))
  AND NOT EXISTS (SELECT 1 FROM screening_round r WHERE r.person_id = p.id)
  AND NOT EXISTS (SELECT 1 FROM screening_person put JOIN screening_round r ON r.person_id = put.id WHERE put.merged_into_id = p.id)
""",
    notes={
        "waits": _("due, and not in any batch"), "no_address": _("no address"), "no_birth_date": _("no birth date"),
    },
)  # fmt: skip

GHOSTS = NetList(
    number=13,
    name="ghosts",
    title=_("Invited long ago, and not due again"),
    question=_(
        "Whose last invitation lies more than the interval and 90 days back, with no new day and no reason?"
    ),
    what_to_do=_("Open the record, see “Why not due?”, and have the next date computed again."),
    checked="SELECT count(*) FROM screening_person",
    who=Role.MANAGER,
    rows=f"""
WITH {_POLICY}
SELECT 'person' AS thing, p.id, p.id AS person_id, max(r.invited_on) AS since, 'office' AS owner, 'no_day' AS note
FROM screening_round r {person_of("r")} CROSS JOIN policy y
WHERE {_LIVING} AND p.next_due_on IS NULL AND p.not_due_code IN ('', 'not_yet_due', 'due', 'postponed', 'excluded_for_now',
      'death_looked_at')
  AND p.birth_date > (%(today)s::date - make_interval(years => y.age_to + 1))::date
GROUP BY p.id, y.interval_months
HAVING max(r.invited_on) < (%(today)s::date - make_interval(months => y.interval_months, days => 90))::date
   AND bool_and(r.state = 'closed')
""",
    notes={"no_day": _("no day and no reason")},
)

SURVEILLANCE_LOST = NetList(
    number=14,
    name="surveillance_lost",
    title=_("In surveillance without a day, or out of it and not back"),
    question=_(
        "Who is kept for surveillance without a plan, or has left it without going back to screening?"
    ),
    what_to_do=_("A clinician signs the next step: the next examination, or back to screening."),
    checked="SELECT count(*) FROM screening_exclusion WHERE kind = 'surveillance'",
    who=Role.CLINICIAN,
    rows=f"""
WITH {_POLICY}
SELECT 'person' AS thing, p.id, p.id AS person_id, min(x.since) AS since, 'clinicians' AS owner,
       CASE WHEN bool_or(x.until IS NULL) THEN 'no_plan' ELSE 'not_back' END AS note
FROM screening_exclusion x {person_of("x")} CROSS JOIN policy y
WHERE x.kind = 'surveillance' AND {_LIVING}
  AND NOT EXISTS (SELECT 1 FROM results_referral f WHERE f.person_id = ANY({records_of("p")}) AND f.state NOT IN ('', 'closed'))
GROUP BY p.id, y.age_to
HAVING CASE WHEN bool_or(x.until IS NULL) THEN NOT EXISTS (
        SELECT 1 FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id
        WHERE f.person_id = ANY({records_of("p")}) AND n.step = 'surveillance' AND n."on" >= %(today)s)
    ELSE p.next_due_on IS NULL AND p.not_due_code NOT IN ('above_age', 'last_round_done', 'opted_out', 'excluded_for_good')
        AND NOT EXISTS (SELECT 1 FROM screening_round r WHERE r.person_id = ANY({records_of("p")}) AND r.state <> 'closed') END
""",
    notes={"no_plan": _("no day to come"), "not_back": _("out of surveillance and not back in screening")},
)

UNCONFIRMED = NetList(
    number=15,
    name="unconfirmed",
    title=_("Left out for good, and nobody confirmed it"),
    question=_(
        "Who is excluded without an end and without a clinician's confirmation, or opted out without a source?"
    ),
    what_to_do=_("A clinician confirms it or sets an end; for an opt-out, find and record who told us."),
    checked="SELECT (SELECT count(*) FROM screening_exclusion) + (SELECT count(*) FROM screening_stop)",
    who=Role.CLINICIAN,
    rows="""
SELECT 'exclusion' AS thing, x.id, x.person_id, x.since, coalesce(u.full_name, 'clinicians') AS owner, x.kind AS note
FROM screening_exclusion x LEFT JOIN staff_user u ON u.id = x.recorded_by_id
WHERE x.until IS NULL AND NOT x.confirmed AND x.since <= %(today)s
UNION ALL
SELECT 'stop', s.id, s.person_id, s.since, 'phone_desk', 'no_source' FROM screening_stop s
WHERE s.ended_on IS NULL AND btrim(s.source) = ''
""",
    notes={"no_source": _("opted out, no source")},
)

LISTS = (NEVER_INVITED, GHOSTS, SURVEILLANCE_LOST, UNCONFIRMED)
