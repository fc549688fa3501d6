"""Checks on the programme's own policy and tasks: I34, I35, I39, I41."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from staff.ledger.registry import walls

I33 = Check(
    name="I33",
    severity=Severity.P2,
    title=_("No more were invited than was planned"),
    sentence=_(
        "On no working day were more people invited than the pace in force allows, in all or in an area, by more than 2 % and"
        " one household."
    ),
    who=_("Manager"),
    what_to_do=_(
        "Look at “Is there room?”, slow or pause the next batches, and write down why more were invited."
    ),
    in_words=_(
        "Days, for an area or for all, on which the rounds opened by batches (not those entered in error) exceed the newest pace"
        " that had begun."
    ),
    checked="SELECT count(DISTINCT r.invited_on) FROM screening_round r WHERE r.batch_id IS NOT NULL"
    " AND r.invited_on >= (SELECT min(since) FROM screening_invitationpace)",
    offenders="""
WITH invited AS (
    SELECT r.invited_on AS day, r.area_id, count(*) AS n FROM screening_round r
    WHERE r.batch_id IS NOT NULL AND r.close_reason <> 'entered_in_error'
      AND r.invited_on >= (SELECT min(since) FROM screening_invitationpace)
    GROUP BY GROUPING SETS ((r.invited_on, r.area_id), (r.invited_on))
    HAVING grouping(r.area_id) = 1 OR r.area_id IS NOT NULL
)
SELECT 'day' AS thing, coalesce(i.area_id, 0) AS id, NULL::bigint AS person_id, i.day AS since,
       coalesce(u.full_name, '') AS owner, 'over' AS note
FROM invited i CROSS JOIN LATERAL (
    SELECT p.per_day, p.made_by_id FROM screening_invitationpace p
    WHERE p.since <= i.day AND p.area_id IS NOT DISTINCT FROM i.area_id ORDER BY p.since DESC, p.id DESC LIMIT 1) p
LEFT JOIN staff_user u ON u.id = p.made_by_id
WHERE p.per_day IS NOT NULL AND i.n > p.per_day * 1.02 + 1
""",
    notes={"over": _("more than the pace of that day")},
)

I34 = Check(
    name="I34",
    severity=Severity.P1,
    title=_("Everybody has exactly one cutoff"),
    sentence=_(
        "For each sex and every age in the band exactly one approved cutoff is in force, above the limit of quantitation and"
        " under the upper limit of every kit model in use."
    ),
    who=_("Medical lead"),
    what_to_do=_(
        "Stop releasing. Propose the cutoff that is missing, or end one of two; a second person puts it in force."
    ),
    in_words=_(
        "Sex and age in the band of the protocol (and five years on either side) without a cutoff today or with two; and"
        " cutoffs not between the limits of a kit model with kits in stock or out."
    ),
    checked="SELECT count(*) FROM generate_series(1, 2) sex, generate_series(45, 79) age",
    offenders="""
WITH band AS (
    SELECT sex, age FROM screening_screeningpolicy s JOIN screening_protocol o ON o.id = s.protocol_id
    CROSS JOIN generate_series(1, 2) sex CROSS JOIN LATERAL generate_series(s.age_from - 5, s.age_to + 5) age
    WHERE o.approved_by_id IS NOT NULL AND o.valid_from <= %(today)s AND (o.valid_to IS NULL OR o.valid_to > %(today)s)
), found AS (
    SELECT b.sex, b.age, count(c.id) AS n FROM band b LEFT JOIN results_cutoffrule c
        ON c.approved_by_id IS NOT NULL AND c.sex_key @> b.sex AND c.ages @> b.age AND c.valid @> %(today)s::date
    GROUP BY b.sex, b.age)
SELECT 'cutoff' AS thing, min(f.age) AS id, NULL::bigint AS person_id, NULL::date AS since, '' AS owner,
       CASE f.n WHEN 0 THEN 'none' ELSE 'two' END AS note
FROM found f WHERE f.n <> 1 GROUP BY f.sex, f.n
UNION ALL
SELECT 'cutoff', c.id, NULL, lower(c.valid), coalesce(u.full_name, ''), 'limits' FROM results_cutoffrule c
LEFT JOIN staff_user u ON u.id = c.approved_by_id
WHERE c.approved_by_id IS NOT NULL AND c.valid @> %(today)s::date AND EXISTS (
    SELECT 1 FROM screening_kitmodel m JOIN screening_lot l ON l.kit_model_id = m.id
    WHERE l.expires_on >= %(today)s AND (c.cutoff_ug_g <= m.loq_ug_g OR c.cutoff_ug_g >= m.upper_ug_g))
""",
    notes={
        "none": _("no cutoff from this age on"),
        "two": _("two cutoffs from this age on"),
        "limits": _("outside what a kit in use can measure"),
    },
)

TWO_PEOPLE = (
    ("protocol", "screening_protocol", "approved_by_id", "proposed_by_id", "valid_from"),
    ("cutoff", "results_cutoffrule", "approved_by_id", "proposed_by_id", "lower(valid)"),
    ("control lot", "results_controllot", "confirmed_by_id", "entered_by_id", "opened_on"),
    ("lab lot", "results_lablot", "confirmed_by_id", "entered_by_id", "received_on"),
    ("check lot", "results_checklot", "confirmed_by_id", "entered_by_id", "opened_on"),
    ("control plan", "results_controlplan", "confirmed_by_id", "entered_by_id", "valid_from"),
    ("bench steps", "results_benchsteps", "confirmed_by_id", "entered_by_id", "valid_from"),
    ("analyser version", "results_analyserversion", "confirmed_by_id", "entered_by_id", "valid_from"),
    ("kit model", "results_kitmodelproposal", "confirmed_by_id", "entered_by_id", "valid_from"),
)
_ALONE = "\nUNION ALL\n".join(
    f"SELECT '{thing}' AS thing, t.id, NULL::bigint AS person_id, {since} AS since, coalesce(u.full_name, '') AS owner,"
    f" 'alone' AS note FROM {table} t LEFT JOIN staff_user u ON u.id = t.{author} WHERE t.{second} = t.{author}"
    for thing, table, second, author, since in TWO_PEOPLE
)

I35 = Check(
    name="I35",
    severity=Severity.P2,
    title=_("Nothing is in force by one person alone"),
    sentence=_(
        "Every protocol, cutoff, control target, lot, bench step and analyser set-up in force was approved by a second person;"
        " no round or result rests on one that nobody approved."
    ),
    who=_("Administrator"),
    what_to_do=_(
        "Have a second person look at it and approve it, or withdraw it; look back at what it decided."
    ),
    in_words=_(
        "Policy whose proposer and approver are the same person, and protocols or cutoffs without an approver that a round"
        " or a result names."
    ),
    checked="SELECT "
    + " + ".join(f"(SELECT count(*) FROM {row[1]} WHERE {row[2]} IS NOT NULL)" for row in TWO_PEOPLE),
    offenders=_ALONE
    + """
UNION ALL
SELECT 'protocol', o.id, NULL, o.valid_from, coalesce(u.full_name, ''), 'unapproved' FROM screening_protocol o
LEFT JOIN staff_user u ON u.id = o.proposed_by_id
WHERE o.approved_by_id IS NULL AND EXISTS (SELECT 1 FROM screening_batch b WHERE b.protocol_id = o.id)
UNION ALL
SELECT 'cutoff', c.id, NULL, lower(c.valid), coalesce(u.full_name, ''), 'unapproved' FROM results_cutoffrule c
LEFT JOIN staff_user u ON u.id = c.proposed_by_id
WHERE c.approved_by_id IS NULL AND c.id IN (SELECT e.rule_id FROM results_result e)
""",
    notes={
        "alone": _("proposed and approved by one person"),
        "unapproved": _("used, and nobody approved it"),
    },
)

I39 = Check(
    name="I39",
    severity=Severity.P1,
    title=_("No batch was invited from an old register"),
    sentence=_(
        "Whenever an invitation batch was opened, a register file not older than the protocol allows had been applied."
    ),
    who=_("Administrator"),
    what_to_do=_(
        "Load the missing register file, and check the batch's people for deaths and moves before it is posted."
    ),
    in_words=_(
        "Batches opened when the register file applied last was older than the protocol's limit, or when none had been."
    ),
    checked="SELECT count(*) FROM screening_batch",
    offenders="""
SELECT 'batch' AS thing, b.id, NULL::bigint AS person_id, b.opened_on AS since, coalesce(u.full_name, '') AS owner,
       CASE WHEN l.at IS NULL THEN 'no_feed' ELSE 'old_feed' END AS note
FROM screening_batch b LEFT JOIN staff_user u ON u.id = b.opened_by_id
LEFT JOIN screening_screeningpolicy p ON p.protocol_id = b.protocol_id
LEFT JOIN LATERAL (SELECT max(r.applied_at) AS at FROM screening_registerload r
                   WHERE r.status = 'applied' AND r.applied_at <= b.opened_at) l ON true
WHERE EXISTS (SELECT 1 FROM screening_registerload)
  AND (l.at IS NULL OR (l.at AT TIME ZONE %(zone)s)::date < b.opened_on - coalesce(p.feed_oldest_days, 7))
""",
    notes={
        "no_feed": _("no register file was ever applied before it"),
        "old_feed": _("the register was too old"),
    },
)


def _tasks() -> str:
    """Open things of every ledger but referrals, which I2 looks at, with what they are about."""
    about = {"round": "s.person_id", "return": "s.kit_id", "sample": "s.person_id", "letter": "s.person_id"}
    parts = []
    for ledger in walls:
        name = ledger.machine.name
        states = ", ".join(
            f"'{state}'" for state, kind in ledger.machine.states.items() if kind.value == "open"
        )
        if name in about and states:
            person = about[name] if name != "return" else "NULL::bigint"
            of = f"/*of person {person}*/" if name != "return" else ""
            parts.append(
                f"SELECT '{name}' AS thing, s.id, {person} AS person_id, s.state_since, s.owner_id, s.pool, s.due_on,"
                f" {about[name]} IS NOT NULL AS about FROM {ledger.subject_table} s WHERE s.state IN ({states}) {of}"
            )
    return "\n    UNION ALL ".join(parts)


I41 = Check(
    name="I41",
    severity=Severity.P2,
    title=_("No task floats free"),
    sentence=_(
        "Every open round, return, sample and letter is about somebody or something, has a day, and belongs to a pool or to"
        " somebody whose account is open."
    ),
    who=_("Administrator"),
    what_to_do=_("Give it to the desk whose work it is, with the day on which somebody acts next."),
    in_words=_("Open things without a day, without a pool or an owner, or whose owner's account is closed."),
    checked=lambda: f"SELECT count(*) FROM ({_tasks()}) t",
    offenders=lambda: (
        f"""
SELECT t.thing, t.id, t.person_id, (t.state_since AT TIME ZONE %(zone)s)::date AS since, coalesce(u.full_name, t.pool) AS owner,
       CASE WHEN NOT t.about THEN 'nothing' WHEN t.due_on IS NULL THEN 'no_date'
            WHEN t.owner_id IS NULL THEN 'nobody' ELSE 'left' END AS note
FROM ({_tasks()}) t LEFT JOIN staff_user u ON u.id = t.owner_id
WHERE NOT t.about OR t.due_on IS NULL OR (t.owner_id IS NULL AND t.pool = '') OR NOT coalesce(u.is_active, true)
"""
    ),
    notes={
        "nothing": _("about nothing"),
        "no_date": _("no next date"),
        "nobody": _("belongs to nobody"),
        "left": _("its owner's account is closed"),
    },
)

CHECKS = (I33, I34, I35, I39, I41)
