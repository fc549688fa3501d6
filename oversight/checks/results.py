"""Checks on released results and what they rest on: I6, I7, I8, I9, I13, I22, I42."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from oversight.checks.result_sql import AGAIN, RECOMPUTED

STANDING = "SELECT count(*) FROM results_result e WHERE e.is_current /*of person e.person_id*/"
_FROM = """
SELECT 'result' AS thing, e.id, e.person_id, e.authorised_on AS since, coalesce(u.full_name, '') AS owner, {note} AS note
FROM results_result e LEFT JOIN staff_user u ON u.id = e.authorised_by_id
"""

I6 = Check(
    name="I6",
    severity=Severity.P1,
    title=_("Every result stands between good controls"),
    sentence=_(
        "No result stands whose run had no controls in control before and after it, or controls of a lot that had expired"
        " or was not confirmed."
    ),
    who=_("Laboratory lead"),
    what_to_do=_("Hold the run's letters, open a look-back on the run, and measure the kept vials again."),
    in_words=_(
        "Current results whose run is open, refused, or held without a bracket of their own; or which lacks controls at its"
        " start or its end, holds one out of control, or used an expired or unconfirmed lot."
    ),
    checked=STANDING,
    offenders="""
WITH odd AS (
    SELECT r.id, CASE
        WHEN r.status NOT IN ('in_control', 'resolved', 'held') THEN 'not_closed'
        WHEN coalesce(k.before, 0) = 0 OR (r.status = 'in_control' AND coalesce(k.after, 0) = 0) THEN 'no_controls'
        WHEN k.unfit > 0 THEN 'unfit_lot'
        WHEN r.status = 'in_control' AND (k.out > 0 OR EXISTS (SELECT 1 FROM results_checkreading c
            WHERE c.run_id = r.id AND NOT (c.passed AND c.lot_usable))) THEN 'out'
        WHEN r.status = 'held' THEN 'held' END AS note
    FROM results_run r LEFT JOIN (
        SELECT c.run_id, count(*) FILTER (WHERE c.position = 'start') AS before,
               count(*) FILTER (WHERE c.position = 'end') AS after, count(*) FILTER (WHERE NOT c.in_control) AS out,
               count(*) FILTER (WHERE c.in_control AND (l.expires_on < u.day OR l.confirmed_by_id IS NULL)) AS unfit
        FROM results_controlreading c JOIN results_controllot l ON l.id = c.control_id
        JOIN results_run u ON u.id = c.run_id GROUP BY c.run_id) k ON k.run_id = r.id)
"""
    + _FROM.format(note="o.note")
    + """
JOIN odd o ON o.id = e.run_id AND o.note IS NOT NULL
WHERE e.is_current AND (o.note <> 'held' OR NOT EXISTS (
    SELECT 1 FROM results_bracketedreading b WHERE b.reading_id = e.reading_id)) /*of person e.person_id*/
""",
    notes={
        "not_closed": _("its run was never closed"),
        "no_controls": _("no controls before or after it"),
        "unfit_lot": _("controls of an expired or unconfirmed lot"),
        "out": _("a control was out"),
        "held": _("its run is held"),
    },
)

I7 = Check(
    name="I7",
    severity=Severity.P1,
    title=_("Every result carries all that decided it"),
    sentence=_(
        "Every result carries the value, unit and factor of its own reading and kit model, the cutoff and comparison of"
        " its rule, its run and running number, and who released it."
    ),
    who=_("Laboratory lead"),
    what_to_do=_("Withdraw the result and release it anew from its reading; tell the administrator."),
    in_words=_(
        "Results, old versions too, whose stored facts differ from the reading, kit model or cutoff rule they name, or that"
        " name none (for a yes or no: the analyser's limit, ruling R4)."
    ),
    checked="SELECT count(*) FROM results_result e WHERE true /*of person e.person_id*/",
    offenders=_FROM.format(
        note="""CASE
    WHEN d.id IS NULL OR d.sample_id <> e.sample_id OR d.run_id <> e.run_id OR d.flag <> '' THEN 'reading'
    WHEN d.unit <> e.raw_unit OR d.comparator <> e.comparator OR d.qualitative <> e.qualitative
      OR d.analysed_on <> e.analysed_on THEN 'value'
    WHEN m.stool_mg <> e.stool_mg OR m.buffer_ml <> e.buffer_ml OR o.kit_model_id <> e.kit_model_id THEN 'factor'
    WHEN c.cutoff_ug_g <> e.cutoff_ug_g OR c.comparison <> e.comparison OR c.approved_by_id IS NULL THEN 'rule'
    ELSE 'authoriser' END"""
    )
    + """
LEFT JOIN results_reading d ON d.id = e.reading_id
LEFT JOIN screening_kitmodel m ON m.id = e.kit_model_id
LEFT JOIN results_sample s ON s.id = e.sample_id
LEFT JOIN screening_kit k ON k.id = s.kit_id
LEFT JOIN screening_lot o ON o.id = k.lot_id
LEFT JOIN results_cutoffrule c ON c.id = e.rule_id
WHERE (d.sample_id = e.sample_id AND d.run_id = e.run_id AND d.flag = '' AND d.unit = e.raw_unit
  AND d.comparator = e.comparator AND d.qualitative = e.qualitative AND d.analysed_on = e.analysed_on
  AND m.stool_mg = e.stool_mg AND m.buffer_ml = e.buffer_ml AND o.kit_model_id = e.kit_model_id
  AND c.cutoff_ug_g = e.cutoff_ug_g AND c.comparison = e.comparison AND c.approved_by_id IS NOT NULL
  AND u.id IS NOT NULL) IS NOT TRUE /*of person e.person_id*/
""",
    notes={
        "reading": _("no reading of its own sample and run"),
        "value": _("unit, comparator or day is not its reading's"),
        "factor": _("the factor is not its kit model's"),
        "rule": _("the cutoff is not its rule's"),
        "authoriser": _("nobody released it"),
    },
)

I8 = Check(
    name="I8",
    severity=Severity.P1,
    title=_("Every class is what its value and cutoff give"),
    sentence=_(
        "For every result the side of the cutoff, computed again from the stored value and the stored cutoff, is the side"
        " that was released."
    ),
    who=_("Laboratory lead"),
    what_to_do=_("Stop releasing. Hold its letter and call whoever runs the database: a value or a class was changed."),
    in_words=_(
        "Results whose side is not the one their exact and their rounded value give under their comparison (at or above if"
        " either meets it, ruling R4); a person's written decision stands where the limit leaves both sides open or the analyser's"
        " own yes or no disagreed."
    ),
    checked="SELECT count(*) FROM results_result e WHERE true /*of person e.person_id*/",
    offenders=RECOMPUTED.format(again=AGAIN, wrong="NOT (a.side = a.side_again OR (a.reason <> '' AND (a.side_again = 'either' OR NOT a.qualitative"
        " AND a.analyser_says IS NOT NULL AND a.analyser_says <> (a.side_again = 'at_or_above'))))",
        note="'side'"),
    notes={"side": _("on the other side of the cutoff")},
)  # fmt: skip

I9 = Check(
    name="I9",
    severity=Severity.P1,
    title=_("Every value is the reading times its factor"),
    sentence=_(
        "Every reported value is the analyser's own number times the factor of its kit model, exactly, rounded once; and"
        " the value shown is the value compared."
    ),
    who=_("Laboratory lead"),
    what_to_do=_("Hold its letter, compare with the analyser's memory, and release it anew from its reading."),
    in_words=_(
        "Results whose raw value is not the reading's value times its dilution, or whose reported value is not raw × buffer ÷"
        " stool mass rounded half up at its decimals. A yes or no carries its cutoff instead."
    ),
    checked="SELECT count(*) FROM results_result e WHERE NOT e.qualitative /*of person e.person_id*/",
    offenders=RECOMPUTED.format(
        again=AGAIN, note="'value'",
        wrong="NOT a.qualitative AND (a.reported_ug_g <> a.reported_again OR a.raw_value IS DISTINCT FROM a.read_value)",
    ),
    notes={"value": _("value and reading differ")},
)  # fmt: skip

I13 = Check(
    name="I13",
    severity=Severity.P1,
    title=_("One serial, one person; one chain, one result"),
    sentence=_(
        "Each kit was only ever bound to one person, each sample is of one kit and its person's, and each chain of"
        " versions has one that stands."
    ),
    who=_("Laboratory lead"),
    what_to_do=_(
        "Stop the kit's letters. Find out with both people whose kit it was; a medical lead settles both."
    ),
    in_words=_(
        "Kits that were bound to rounds of different people; samples whose kit, round or person is not that of their return;"
        " reported samples without exactly one current result; results of another person than their sample."
    ),
    checked="SELECT count(*) FROM results_sample s WHERE true /*of person s.person_id*/",
    offenders="""
SELECT 'sample' AS thing, s.id, s.person_id, s.collected_earliest AS since, s.pool AS owner, 'another' AS note
FROM results_sample s LEFT JOIN screening_return b ON b.id = s.return_of_id LEFT JOIN screening_kit k ON k.id = s.kit_id
LEFT JOIN screening_round r ON r.id = s.round_id
WHERE (b.kit_id = k.id AND s.serial = k.serial AND k.round_id = r.id AND r.person_id = s.person_id) IS NOT TRUE
  /*of person s.person_id*/
UNION ALL
SELECT 'sample', s.id, s.person_id, s.collected_earliest, s.pool, 'chain' FROM results_sample s
LEFT JOIN (SELECT e.sample_id, count(*) AS n FROM results_result e WHERE e.is_current /*of person e.person_id*/
           GROUP BY e.sample_id) c ON c.sample_id = s.id
WHERE (coalesce(c.n, 0) > 1 OR (s.state = 'reported' AND c.n IS NULL)) /*of person s.person_id*/
UNION ALL
SELECT 'result', e.id, e.person_id, e.authorised_on, '', 'another_person' FROM results_result e
JOIN results_sample s ON s.id = e.sample_id
WHERE (s.person_id <> e.person_id OR s.round_id <> e.round_id) /*of person e.person_id*/
UNION ALL
SELECT DISTINCT 'kit', k.id, r.person_id, NULL::date, '', 'two_people' FROM screening_kithistory h
JOIN screening_kit k ON k.id = h.pgh_obj_id JOIN screening_round r ON r.id = k.round_id
JOIN screening_round o ON o.id = h.round_id WHERE o.person_id <> r.person_id /*of person r.person_id*/
UNION ALL
SELECT 'kit', k.id, r.person_id, NULL::date, '', 'not_as_assigned' FROM screening_kitmove m
JOIN screening_kit k ON k.id = m.subject_id LEFT JOIN screening_round r ON r.id = k.round_id
WHERE m.round_id IS NOT NULL AND (m.round_id, m.ordinal) IS DISTINCT FROM (k.round_id, k.ordinal)
  /*of person r.person_id*/
""",
    notes={
        "another": _("kit, round and person do not belong together"),
        "chain": _("not exactly one result stands"),
        "another_person": _("the result is of another person or round than its sample"),
        "two_people": _("was bound to two people"),
        "not_as_assigned": _("is bound to another round than the one it was assigned to"),
    },
)

I22 = Check(
    name="I22",
    severity=Severity.P1,
    title=_("No result below comes from a sample too old"),
    sentence=_(
        "No result below stands that was analysed past the last day its sample counted; one at or above only where the"
        " protocol says so."
    ),
    who=_("Laboratory lead"),
    what_to_do=_("Withdraw the result with the medical lead and send a new kit."),
    in_words=_(
        "Current results analysed after the day until which their sample was usable (age from the earliest collection day,"
        " expiry from the latest, ruling R2), unless at or above and the protocol lets those count."
    ),
    checked=STANDING,
    offenders=_FROM.format(note="CASE e.side WHEN 'below' THEN 'old_below' ELSE 'old_above' END")
    + """
JOIN results_sample s ON s.id = e.sample_id JOIN screening_return b ON b.id = s.return_of_id
JOIN screening_kit k ON k.id = s.kit_id JOIN screening_lot l ON l.id = k.lot_id
JOIN screening_kitmodel m ON m.id = l.kit_model_id
JOIN screening_round r ON r.id = e.round_id
LEFT JOIN screening_screeningpolicy p ON p.protocol_id = r.protocol_id
WHERE e.is_current AND e.analysed_on > CASE WHEN b.collected_latest > l.expires_on THEN b.collected_earliest - 1
    ELSE b.collected_earliest + m.sample_age_limit_days END
  AND (e.side = 'below' OR NOT coalesce(p.report_high_from_unfit, false)) /*of person e.person_id*/
""",
    notes={
        "old_below": _("below, from a sample too old"),
        "old_above": _("from a sample too old, against the protocol"),
    },
)

I42 = Check(
    name="I42",
    severity=Severity.P1,
    title=_("Every lot in use was verified first"),
    sentence=_(
        "Every lot of reagent, calibrator, consumable, control or check was confirmed by a second person and in date when"
        " a run that gave results used it."
    ),
    who=_("Laboratory lead"),
    what_to_do=_("Set the lot apart, verify it, and open a look-back on it if it fails."),
    in_words=_(
        "Lots that runs with released results used although nobody has confirmed them, they had expired, or were entered and"
        " confirmed by one person."
    ),
    checked="""
SELECT (SELECT count(*) FROM results_runlot) + (SELECT count(*) FROM results_controlreading)
     + (SELECT count(*) FROM results_checkreading)""",
    offenders="""
WITH used AS (
    SELECT 'lab lot' AS thing, l.id, l.confirmed_by_id, l.entered_by_id, l.expires_on, u.day, u.id AS run_id
    FROM results_runlot x JOIN results_lablot l ON l.id = x.lot_id JOIN results_run u ON u.id = x.run_id
    UNION ALL
    SELECT 'control lot', l.id, l.confirmed_by_id, l.entered_by_id, l.expires_on, NULL, c.run_id
    FROM results_controlreading c JOIN results_controllot l ON l.id = c.control_id
    UNION ALL
    SELECT 'check lot', l.id, l.confirmed_by_id, l.entered_by_id, l.expires_on, NULL, c.run_id
    FROM results_checkreading c JOIN results_checklot l ON l.id = c.check_lot_id)
SELECT u.thing, u.id, NULL::bigint AS person_id, min(r.day) AS since, 'laboratory' AS owner,
       CASE WHEN bool_or(u.confirmed_by_id IS NULL) THEN 'unconfirmed'
            WHEN bool_or(u.confirmed_by_id = u.entered_by_id) THEN 'alone' ELSE 'expired' END AS note
FROM used u JOIN results_run r ON r.id = u.run_id
WHERE (u.confirmed_by_id IS NULL OR u.confirmed_by_id = u.entered_by_id OR u.expires_on < u.day)
  AND EXISTS (SELECT 1 FROM results_result e WHERE e.run_id = u.run_id)
GROUP BY u.thing, u.id
""",
    notes={
        "unconfirmed": _("used before anybody confirmed it"),
        "alone": _("entered and confirmed by one person"),
        "expired": _("used after it expired"),
    },
)

CHECKS = (I6, I7, I8, I9, I13, I22, I42)
