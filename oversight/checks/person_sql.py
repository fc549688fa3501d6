"""Which next steps a person has, in SQL: a day, an open round, a live referral, or a reason that its record bears out."""

from screening.eligibility_words import EligibilityCode

# What must be so where a reason without a day stands. A reason that is not named here is taken as it is written.
BORNE_OUT = {
    EligibilityCode.IN_A_ROUND: "x.rounds > 0",
    EligibilityCode.UNDER_INVESTIGATION: "x.rounds + x.referrals > 0",
    EligibilityCode.IN_SURVEILLANCE: "x.surveillance",
    EligibilityCode.OPTED_OUT: "x.stopped",
    EligibilityCode.NO_BIRTH_DATE: "x.birth_date IS NULL",
    EligibilityCode.NO_ADDRESS: "x.address_1 = ''",
    EligibilityCode.EXCLUDED_FOR_GOOD: "x.for_good",
    EligibilityCode.EXCLUSION_UNCONFIRMED: "x.held",
    EligibilityCode.DEATH_TO_LOOK_AT: "x.held",
    EligibilityCode.NO_NEXT_STEP: "x.concluded",
    EligibilityCode.LAST_ROUND_DONE: "x.passed",
    EligibilityCode.DIED: "false",
    EligibilityCode.MERGED: "false",
    EligibilityCode.DUE: "false",
}
_CASES = "\n".join(f"        WHEN '{code.value}' THEN {sql}" for code, sql in BORNE_OUT.items())

NEXT_STEPS = f"""
WITH policy AS (
    SELECT s.age_from, s.age_to FROM screening_screeningpolicy s JOIN screening_protocol o ON o.id = s.protocol_id
    WHERE o.approved_by_id IS NOT NULL AND o.valid_from <= %(today)s AND (o.valid_to IS NULL OR o.valid_to > %(today)s)
), open_rounds AS (
    SELECT coalesce(m.merged_into_id, r.person_id) AS person, count(*) AS n FROM screening_round r
    JOIN screening_person m ON m.id = r.person_id
    WHERE r.state NOT IN ('', 'closed') /*of person r.person_id*/ GROUP BY 1
), live AS (
    SELECT coalesce(m.merged_into_id, f.person_id) AS person, count(*) AS n FROM results_referral f
    JOIN screening_person m ON m.id = f.person_id
    WHERE f.state NOT IN ('', 'closed') /*of person f.person_id*/ GROUP BY 1
), odd AS (
    SELECT p.id, p.next_due_on, p.not_due_code, p.birth_date, p.address_1, coalesce(o.n, 0) AS rounds,
           coalesce(l.n, 0) AS referrals
    FROM screening_person p CROSS JOIN policy y LEFT JOIN open_rounds o ON o.person = p.id LEFT JOIN live l ON l.person = p.id
    WHERE p.deceased_on IS NULL AND p.merged_into_id IS NULL AND (p.left_area_on IS NULL OR p.left_area_on > %(today)s)
      AND p.birth_date <= (%(today)s::date - make_interval(years => y.age_from))::date
      AND p.birth_date > (%(today)s::date - make_interval(years => y.age_to + 1))::date
      AND (p.next_due_on IS NULL OR o.n IS NOT NULL OR l.n IS NOT NULL) /*of person p.id*/
), held AS (
    SELECT coalesce(m.merged_into_id, m.id) AS person, bool_or(e.kind = 'surveillance') AS surveillance,
           bool_or(e.until IS NULL AND e.confirmed AND e.kind <> 'surveillance') AS for_good
    FROM screening_exclusion e JOIN screening_person m ON m.id = e.person_id
    WHERE (e.until IS NULL OR e.until > %(today)s) /*of person e.person_id*/ GROUP BY 1
), stopped AS (
    SELECT DISTINCT coalesce(m.merged_into_id, m.id) AS person FROM screening_stop t JOIN screening_person m ON m.id = t.person_id
    WHERE t.scope = 'invitations' AND (t.ended_on IS NULL OR t.ended_on > %(today)s) /*of person t.person_id*/
), past AS (
    SELECT coalesce(m.merged_into_id, m.id) AS person,
           bool_or(r.close_reason = 'follow_up_concluded' AND r.due_on IS NULL) AS concluded
    FROM screening_round r JOIN screening_person m ON m.id = r.person_id
    JOIN odd o ON o.id = coalesce(m.merged_into_id, m.id) AND o.not_due_code IN ('last_round_done', 'no_next_step')
    WHERE r.state = 'closed' /*of person r.person_id*/ GROUP BY 1
), facts AS (
    SELECT o.*, h.person IS NOT NULL AS held, coalesce(h.surveillance, false) AS surveillance,
           coalesce(h.for_good, false) AS for_good, t.person IS NOT NULL AS stopped, a.person IS NOT NULL AS passed,
           coalesce(a.concluded, false) AS concluded
    FROM odd o LEFT JOIN held h ON h.person = o.id LEFT JOIN stopped t ON t.person = o.id LEFT JOIN past a ON a.person = o.id
), judged AS (
    SELECT x.*, CASE
        WHEN x.next_due_on IS NOT NULL AND x.rounds + x.referrals > 0 THEN 'two'
        WHEN x.rounds + x.referrals > 0 OR x.next_due_on IS NOT NULL THEN NULL
        WHEN x.not_due_code = '' THEN 'nothing'
        WHEN NOT CASE x.not_due_code
{_CASES}
        ELSE true END THEN 'unfounded' END AS note FROM facts x
)
SELECT 'person' AS thing, j.id, j.id AS person_id, NULL::date AS since, 'office' AS owner, j.note FROM judged j
WHERE j.note IS NOT NULL
"""
"""In-band people with no next step, two, or one that is unfounded. Only people without a day, or with something open besides,
are looked at one by one."""
