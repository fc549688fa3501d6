"""Checks on letters about results: I10, at or above and below."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity

NOTES = {
    "no_letter": _("no letter"),
    "cancelled": _("its letter was cancelled"),
    "waiting": _("its letter has not left"),
}

# One line a result: the best that happened to its letters to the person. A letter about a dead person stops (R1).
RESULTS = """
WITH told AS (
    SELECT e.id, e.person_id, e.authorised_on, p.deceased_on,
           count(l.id) AS letters, count(l.id) FILTER (WHERE l.state NOT IN ('cancelled', 'superseded')) AS live,
           coalesce(bool_or(l.state IN ('handed_over', 'undelivered', 'settled')), false) AS left_us,
           coalesce(bool_or(l.state = 'held' AND (l.owner_id IS NOT NULL OR l.pool <> '')), false) AS on_hold,
           greatest(e.authorised_on, max(l.not_before)) AS counts_from,
           coalesce(max(u.full_name), max(l.pool), '') AS owner
    FROM results_result e JOIN screening_person p ON p.id = e.person_id
    LEFT JOIN outreach_letter l ON l.result_id = e.id AND l.recipient = 'person'
    LEFT JOIN staff_user u ON u.id = l.owner_id
    WHERE e.is_deciding AND e.side = '{side}' AND e.authorised_on <= %({limit})s
    GROUP BY e.id, p.id
)
SELECT 'result' AS thing, t.id, t.person_id, t.counts_from AS since, t.owner,
       CASE WHEN t.letters = 0 THEN 'no_letter' WHEN t.live = 0 THEN 'cancelled' ELSE 'waiting' END AS note
FROM told t
WHERE NOT t.left_us AND NOT t.on_hold AND t.counts_from <= %({limit})s
  AND NOT (t.deceased_on IS NOT NULL AND t.letters > 0 AND t.live = 0)
"""
CHECKED = "SELECT count(*) FROM results_result WHERE is_deciding AND side = '{side}'"
DO = _("Open Today's mail: print and hand over the letter, or put it on hold with the reason.")

I10 = Check(
    name="I10",
    severity=Severity.P1,
    title=_("Everybody at or above has been written to"),
    sentence=_(
        "Every result at or above has its letter to the person handed over within one working day of the day it may"
        " land, or a recorded hold that somebody owns."
    ),
    who=_("Call and recall office"),
    what_to_do=DO,
    in_words=_(
        "Deciding results at or above whose letter has neither left nor been held, more than one working day after the"
        " later of the release and the letter's first day (ruling R11)."
    ),
    checked=CHECKED.format(side="at_or_above"),
    offenders=RESULTS.format(side="at_or_above", limit="one_working_day"),
    notes=NOTES,
)

I10B = Check(
    name="I10b",
    severity=Severity.P2,
    title=_("Everybody below has been written to"),
    sentence=_(
        "Every result below has its letter to the person handed over within five working days of its release, or a"
        " recorded hold that somebody owns."
    ),
    who=_("Call and recall office"),
    what_to_do=DO,
    in_words=_(
        "Deciding results below whose letter has neither left nor been held, more than five working days after release."
    ),
    checked=CHECKED.format(side="below"),
    offenders=RESULTS.format(side="below", limit="five_working_days"),
    notes=NOTES,
)

CHECKS = (I10, I10B)
