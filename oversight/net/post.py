"""Lists of kits and results: 10, 11 and 20."""

from django.utils.translation import gettext_lazy as _

from oversight.net.base import NetList, person_of
from screening.services.records import records_of
from staff.roles import Role

KIT_NO_RESULT = NetList(
    number=10,
    name="kit_no_result",
    title=_("The kit came, and there is no result"),
    question=_("Whose kit came a week ago or more and has no result; and who sent two kits and has one result?"),
    what_to_do=_("Find the kit and its question; measure it, solve it, or say why it cannot be tested."),
    checked="SELECT count(*) FROM screening_return WHERE state <> 'undone'",
    who=Role.LABORATORY,
    rows="""
SELECT 'return' AS thing, b.id, r.person_id, b.arrived_on AS since, coalesce(u.full_name, nullif(s.pool, ''), b.pool) AS owner,
       CASE WHEN EXISTS (SELECT 1 FROM results_result e WHERE e.round_id = r.id AND e.is_current) THEN 'second'
            WHEN b.state = 'set_aside' THEN 'set_aside' WHEN s.state = 'held' THEN 'held' ELSE 'waits' END AS note
FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id LEFT JOIN screening_round r ON r.id = k.round_id
LEFT JOIN results_sample s ON s.return_of_id = b.id LEFT JOIN staff_user u ON u.id = coalesce(s.owner_id, b.owner_id)
WHERE b.arrived_on <= %(today)s::date - 7 AND b.state NOT IN ('undone', 'unsuitable')
  AND coalesce(s.state, 'none') NOT IN ('not_measurable', 'unsuitable', 'recalled')
  AND NOT EXISTS (SELECT 1 FROM results_result e WHERE e.sample_id = s.id AND e.is_current)
""",
    notes={
        "second": _("a second kit of a round that has its result"), "set_aside": _("set aside"),
        "held": _("held by the controls"), "waits": _("waits"),
    },
)  # fmt: skip

REPLACEMENT_OUT = NetList(
    number=11,
    name="replacement_out",
    title=_("The first kit could not be tested, and the next never came"),
    question=_(
        "Who was sent a replacement more than 60 days ago that has not come back, with no new round since?"
    ),
    what_to_do=_("Ring or write once more; the person believes the test is done."),
    checked="SELECT count(*) FROM screening_kit WHERE ordinal > 1",
    who=Role.PHONE_DESK,
    rows=f"""
SELECT 'round' AS thing, r.id, r.person_id, k.dispatched_on AS since, 'phone_desk' AS owner,
       CASE WHEN r.state = 'closed' THEN 'closed' ELSE 'out' END AS note
FROM screening_kit k JOIN screening_round r ON r.id = k.round_id
{person_of("r")} AND p.deceased_on IS NULL
WHERE k.ordinal > 1 AND k.state = 'dispatched' AND k.void_on IS NULL AND k.dispatched_on <= %(today)s::date - 60
  AND k.dispatched_on > (%(today)s::date - interval '15 months')::date
  AND (r.state = 'kit_out' OR (r.state = 'closed' AND r.close_reason = 'not_returned'))
  AND EXISTS (SELECT 1 FROM screening_kit o JOIN screening_return b ON b.kit_id = o.id WHERE o.round_id = r.id
              AND b.state <> 'undone')
  AND NOT EXISTS (SELECT 1 FROM screening_round o WHERE o.person_id = ANY({records_of("p")}) AND o.invited_on > r.invited_on)
""",
    notes={
        "out": _("replacement still out"),
        "closed": _("round closed without a sample that could be tested"),
    },
)

NOT_RETESTED = NetList(
    number=20,
    name="not_retested",
    title=_("Result withdrawn or lot recalled, and not yet tested again"),
    question=_("Whose result was withdrawn or is in doubt, or whose kit was recalled, without a new result yet?"),
    what_to_do=_("Follow the look-back to its end: measure again, send a new kit, or record why nothing is needed."),
    checked="SELECT (SELECT count(*) FROM results_result WHERE NOT is_current) + (SELECT count(*) FROM results_lookbackrow)",
    who=Role.LABORATORY,
    rows="""
SELECT 'result' AS thing, e.id, e.person_id, e.authorised_on AS since, coalesce(nullif(s.pool, ''), 'laboratory') AS owner,
       'withdrawn' AS note
FROM results_result e JOIN results_sample s ON s.id = e.sample_id JOIN screening_round r ON r.id = e.round_id
WHERE NOT e.is_current AND NOT EXISTS (SELECT 1 FROM results_result o WHERE o.round_id = e.round_id AND o.is_current)
  AND NOT EXISTS (SELECT 1 FROM results_result o WHERE o.sample_id = e.sample_id AND o.version > e.version)
  AND NOT (r.state = 'closed' AND r.close_reason NOT IN ('below', 'result_withdrawn', 'not_returned'))
UNION ALL
SELECT 'sample', w.sample_id, s.person_id, (b.opened_at AT TIME ZONE %(zone)s)::date, 'laboratory',
       CASE w.action WHEN '' THEN 'undecided' ELSE w.action END
FROM results_lookbackrow w JOIN results_lookback b ON b.id = w.look_back_id JOIN results_sample s ON s.id = w.sample_id
WHERE w.settled_at IS NULL
UNION ALL
SELECT 'sample', s.id, s.person_id, (q.opened_at AT TIME ZONE %(zone)s)::date, 'laboratory', 'kit_doubt'
FROM screening_kitdoubt q JOIN screening_kit k ON k.serial BETWEEN q.first_serial AND q.last_serial
JOIN results_sample s ON s.kit_id = k.id JOIN results_result e ON e.sample_id = s.id AND e.is_current
WHERE NOT EXISTS (SELECT 1 FROM results_lookback l WHERE l.kit_doubt_id = q.id)
UNION ALL
SELECT 'round', r.id, r.person_id, k.dispatched_on, r.pool, 'recalled' FROM screening_lot o
JOIN screening_kit k ON k.lot_id = o.id AND k.state = 'dispatched' AND k.void_on IS NULL
JOIN screening_round r ON r.id = k.round_id AND r.state = 'kit_out' WHERE o.quarantined
""",
    notes={
        "withdrawn": _("result withdrawn"), "undecided": _("in a look-back, to be decided"),
        "kit_doubt": _("its kit may lie beside another's letter, and no look-back is open"),
        "retest": _("to be measured again"), "reinvite": _("a new kit is sent"), "recalled": _("kit of a lot set apart"),
    },
)  # fmt: skip

LISTS = (KIT_NO_RESULT, REPLACEMENT_OUT, NOT_RETESTED)
