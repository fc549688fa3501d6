"""Checks on the post: I18, I19, I20, I21."""

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
    checked="""
SELECT count(*) FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id LEFT JOIN screening_round r ON r.id = k.round_id
WHERE b.state <> 'undone' /*of person r.person_id*/""",
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
  /*of person r.person_id*/
""",
    notes={
        "logged": _("logged, and nothing since"),
        "set_aside": _("set aside without an owner or a date"),
        "no_sample": _("ready, but never reached the bench"),
        "no_result": _("reported, but no result stands"),
        "waiting": _("still on the bench"),
    },
)

I19 = Check(
    name="I19",
    severity=Severity.P1,
    title=_("Nobody waits for a kit that cannot be tested"),
    sentence=_(
        "Every person whose sample was unsuitable or not measurable is sent another kit, or the round is closed with the"
        " reason why not."
    ),
    who=_("Call and recall office"),
    what_to_do=_("Send a replacement kit today, or close the round with its reason."),
    in_words=_(
        "Rounds that wait for the laboratory although every kit that came is unsuitable or not measurable; and rounds that wait"
        " for a replacement, or for somebody to decide about one, more than five working days past their day."
    ),
    checked="""
SELECT count(*) FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id JOIN screening_round r ON r.id = k.round_id
LEFT JOIN results_sample s ON s.return_of_id = b.id
WHERE (b.state = 'unsuitable' OR s.state IN ('unsuitable', 'not_measurable')) /*of person r.person_id*/""",
    offenders="""
WITH ended AS (
    SELECT r.id, r.person_id, r.state, r.due_on, r.owner_id, r.pool, max(b.arrived_on) AS arrived_on,
           bool_and(b.state IN ('unsuitable', 'undone') OR coalesce(s.state IN ('unsuitable', 'not_measurable'), false)) AS over,
           bool_or(b.state = 'unsuitable' OR coalesce(s.state IN ('unsuitable', 'not_measurable'), false)) AS spoilt
    FROM screening_round r JOIN screening_kit k ON k.round_id = r.id JOIN screening_return b ON b.kit_id = k.id
    LEFT JOIN results_sample s ON s.return_of_id = b.id
    WHERE r.state IN ('result_due', 'kit_due') /*of person r.person_id*/
    GROUP BY r.id)
SELECT 'round' AS thing, e.id, e.person_id, e.arrived_on AS since, coalesce(u.full_name, e.pool) AS owner,
       CASE WHEN e.state = 'kit_due' THEN 'no_kit_sent' WHEN e.pool = 'laboratory' THEN 'waits_for_nothing'
            ELSE 'undecided' END AS note
FROM ended e LEFT JOIN staff_user u ON u.id = e.owner_id
WHERE e.over AND e.spoilt AND CASE WHEN e.state = 'kit_due' OR e.pool <> 'laboratory' THEN e.due_on <= %(five_working_days)s
    ELSE true END
""",
    notes={
        "waits_for_nothing": _("waits for a result no kit can give"),
        "no_kit_sent": _("no replacement was sent"),
        "undecided": _("nobody decided whether to send another"),
    },
)

I20 = Check(
    name="I20",
    severity=Severity.P2,
    title=_("Every sack is opened, counted and closed"),
    sentence=_(
        "Every delivery is worked through and settled within one working day, and its scans are those accepted, set aside"
        " or not ours."
    ),
    who=_("Front desk"),
    what_to_do=_(
        "Open the delivery, go on with its session and close it; where the counts differ a second person settles it."
    ),
    in_words=_(
        "Sessions still open after one working day; deliveries counted by hand that nobody has settled; and settled"
        " deliveries whose logged kits and envelopes not ours are not the count, without a reason."
    ),
    checked="SELECT (SELECT count(*) FROM screening_delivery) + (SELECT count(*) FROM screening_intakesession WHERE mode <> 'practice')",
    offenders="""
SELECT 'session' AS thing, i.id, NULL::bigint AS person_id, (i.started_at AT TIME ZONE %(zone)s)::date AS since,
       coalesce(u.full_name, '') AS owner, 'open' AS note
FROM screening_intakesession i LEFT JOIN staff_user u ON u.id = i.operator_id
WHERE i.mode <> 'practice' AND i.closed_at IS NULL AND (i.started_at AT TIME ZONE %(zone)s)::date <= %(one_working_day)s
UNION ALL
SELECT 'delivery', d.id, NULL, d.arrived_on, coalesce(u.full_name, ''), 'not_settled'
FROM screening_delivery d LEFT JOIN staff_user u ON u.id = d.recorded_by_id
WHERE d.settled_at IS NULL AND d.hand_count > 0 AND d.arrived_on <= %(one_working_day)s
UNION ALL
SELECT 'delivery', d.id, NULL, d.arrived_on, coalesce(u.full_name, ''), 'count'
FROM screening_delivery d LEFT JOIN staff_user u ON u.id = d.settled_by_id
LEFT JOIN (SELECT delivery_id, sum(accepted + set_aside + not_ours) AS n FROM screening_intakesession GROUP BY 1) i
    ON i.delivery_id = d.id
LEFT JOIN (SELECT delivery_id, count(*) AS n FROM screening_return WHERE session_id IS NULL AND state <> 'undone'
           GROUP BY 1) b ON b.delivery_id = d.id
WHERE d.settled_at IS NOT NULL AND d.settled_reason = '' AND d.hand_count IS NOT NULL
  AND d.hand_count <> coalesce(i.n, 0) + coalesce(b.n, 0)
""",
    notes={
        "open": _("session still open"),
        "not_settled": _("counted, and never settled"),
        "count": _("scans and count differ"),
    },
)

I21 = Check(
    name="I21",
    severity=Severity.P2,
    title=_("Every kit went out before it came back"),
    sentence=_(
        "Every accepted kit arrived on or after the day it was sent and was collected in between, or a person accepted the"
        " exception."
    ),
    who=_("Front desk"),
    what_to_do=_(
        "Look at the label and the kit's history, and correct the day; ask the person if it stays odd."
    ),
    in_words=_(
        "Returns accepted for the bench without a question whose kit has no day of dispatch, arrived before it, or whose latest"
        " possible day of collection lies before the dispatch or after the arrival (ruling R2)."
    ),
    checked="""
SELECT count(*) FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id LEFT JOIN screening_round r ON r.id = k.round_id
WHERE b.state = 'ready' /*of person r.person_id*/""",
    offenders="""
SELECT 'return' AS thing, b.id, r.person_id, b.arrived_on AS since, 'front_desk' AS owner,
       CASE WHEN k.dispatched_on IS NULL THEN 'never_sent' WHEN b.arrived_on < k.dispatched_on THEN 'arrived_before'
            ELSE 'collected_outside' END AS note
FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id LEFT JOIN screening_round r ON r.id = k.round_id
WHERE b.state = 'ready' AND (k.dispatched_on IS NULL OR b.arrived_on < k.dispatched_on
       OR b.collected_latest < k.dispatched_on OR b.collected_latest > b.arrived_on)
  AND NOT EXISTS (SELECT 1 FROM screening_returnmove m WHERE m.subject_id = b.id AND m.event = 'solve')
  /*of person r.person_id*/
""",
    notes={
        "never_sent": _("its kit was never sent"),
        "arrived_before": _("arrived before it was sent"),
        "collected_outside": _("collected before it was sent, or after it arrived"),
    },
)

CHECKS = (I18, I19, I20, I21)
