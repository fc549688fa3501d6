"""Checks on the analysers' readings: I23, I24, I25."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity

I23 = Check(
    name="I23",
    severity=Severity.P1,
    title=_("No reading is missing between two others"),
    sentence=_(
        "The running numbers of each run follow each other without a gap, or every gap was looked into and explained."
    ),
    who=_("Laboratory"),
    what_to_do=_(
        "Compare the rack with the analyser's memory from the gap on, before anything of that run is believed."
    ),
    in_words=_(
        "Runs with more running numbers missing between their first and last reading than lines of their files were kept"
        " back, and none of whose lines carries the note of a comparison."
    ),
    checked="SELECT count(DISTINCT run_id) FROM results_reading",
    offenders="""
SELECT 'run' AS thing, u.id, NULL::bigint AS person_id, u.day AS since, 'laboratory' AS owner, 'gap' AS note
FROM (SELECT run_id, max(running_number) - min(running_number) + 1 - count(*) AS missing FROM results_reading
      GROUP BY run_id HAVING max(running_number) - min(running_number) + 1 > count(*)) g
JOIN results_run u ON u.id = g.run_id
LEFT JOIN LATERAL (
    SELECT count(*) FILTER (WHERE i.verdict <> 'taken') AS kept_back,
           bool_or(i.settled_note <> '' OR i.sentence LIKE '%%)') AS explained
    FROM results_readingsfile f JOIN results_inboxline i ON i.file_id = f.id WHERE f.run_id = u.id) l ON true
WHERE g.missing > coalesce(l.kept_back, 0) AND NOT coalesce(l.explained, false)
""",
    notes={"gap": _("a running number is missing")},
)

I24 = Check(
    name="I24",
    severity=Severity.P1,
    title=_("A typed result has three pairs of eyes"),
    sentence=_(
        "Every result typed by hand was typed twice alike by two people, and released by somebody who typed neither."
    ),
    who=_("Laboratory lead"),
    what_to_do=_("Read the value from the analyser again with a second person, and release the result anew."),
    in_words=_(
        "Results whose reading was typed by one person twice, with entries that differ, or that one of the two released; in a"
        " clinic of one desk one person may do all three for a result below, the second entry half an hour later (ruling"
        " R14)."
    ),
    checked="SELECT count(*) FROM results_typedreading",
    offenders="""
SELECT 'result' AS thing, e.id, e.person_id, e.authorised_on AS since, coalesce(u.full_name, '') AS owner,
       CASE WHEN t.state <> 'agreed' OR t.again_by_id IS NULL THEN 'once'
            WHEN t.typed_by_id = t.again_by_id THEN 'alone'
            WHEN e.authorised_by_id IN (t.typed_by_id, t.again_by_id) THEN 'released' ELSE 'differ' END AS note
FROM results_typedreading t JOIN results_result e ON e.reading_id = t.reading_id
LEFT JOIN staff_user u ON u.id = e.authorised_by_id
JOIN screening_round r ON r.id = e.round_id LEFT JOIN screening_screeningpolicy p ON p.protocol_id = r.protocol_id
WHERE (t.state <> 'agreed' OR t.again_by_id IS NULL OR upper(t.flag) <> upper(t.again_flag)
    OR CASE WHEN t.raw ~ '^\\s*[<>]?\\s*[0-9.]+\\s*$' AND t.again_raw ~ '^\\s*[<>]?\\s*[0-9.]+\\s*$'
        THEN substring(t.raw, '[<>]') IS DISTINCT FROM substring(t.again_raw, '[<>]')
             OR substring(t.raw, '[0-9]+\\.?[0-9]*')::numeric <> substring(t.again_raw, '[0-9]+\\.?[0-9]*')::numeric
        ELSE t.raw <> t.again_raw END
    OR ((t.typed_by_id = t.again_by_id OR e.authorised_by_id IN (t.typed_by_id, t.again_by_id))
        AND NOT (coalesce(p.one_desk, false) AND e.side = 'below'
                 AND t.again_at >= t.typed_at + interval '30 minutes')))
  /*of person e.person_id*/
""",
    notes={
        "once": _("typed only once"),
        "differ": _("the two entries differ"),
        "alone": _("typed twice by one person"),
        "released": _("released by one who typed it"),
    },
)

I25 = Check(
    name="I25",
    severity=Severity.P1,
    title=_("Every analyser reading has a home"),
    sentence=_("No line of a readings file stays unmatched and unsettled for more than one working day."),
    who=_("Laboratory"),
    what_to_do=_("Open the readings file, match the line to its sample or settle it with a note."),
    in_words=_(
        "Lines of readings files that were not taken and carry no settling note, older than one working day."
    ),
    checked="SELECT count(*) FROM results_inboxline",
    offenders="""
SELECT 'inbox line' AS thing, i.id, NULL::bigint AS person_id, (i.at AT TIME ZONE %(zone)s)::date AS since,
       'laboratory' AS owner, i.verdict AS note
FROM results_inboxline i
WHERE i.verdict <> 'taken' AND i.settled_note = '' AND (i.at AT TIME ZONE %(zone)s)::date <= %(one_working_day)s
""",
)

CHECKS = (I23, I24, I25)
