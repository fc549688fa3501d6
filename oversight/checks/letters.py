"""Checks on letters: I5, I10, I11, I12, I30, I32."""

from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS
from outreach.kinds import StopCode
from outreach.services.undelivered import ABOUT_A_HIGH_RESULT
from oversight.checks.base import Check, Severity
from results.services.authorise_facts import RESOLVED_BY

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
    WHERE e.is_deciding AND e.side = '{side}' AND e.authorised_on <= %({limit})s /*of person e.person_id*/
    GROUP BY e.id, p.id
)
SELECT 'result' AS thing, t.id, t.person_id, t.counts_from AS since, t.owner,
       CASE WHEN t.letters = 0 THEN 'no_letter' WHEN t.live = 0 THEN 'cancelled' ELSE 'waiting' END AS note
FROM told t
WHERE NOT t.left_us AND NOT t.on_hold AND t.counts_from <= %({limit})s
  AND NOT (t.deceased_on IS NOT NULL AND t.letters > 0 AND t.live = 0)
"""
CHECKED = "SELECT count(*) FROM results_result e WHERE e.is_deciding AND e.side = '{side}' /*of person e.person_id*/"
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


def _kinds(code: StopCode) -> list[str]:
    """The kinds of letter that a stop stops on either side."""
    return sorted(key for key, kind in KINDS.items() if code in kind.stops and kind.recipient == "person")


LEFT = """
SELECT l.id, l.person_id, l.kind, min(m.occurred_at) AS at
FROM outreach_letter l JOIN outreach_lettermove m ON m.subject_id = l.id AND m.event IN ('hand_over', 'claim', 'sent')
WHERE l.recipient = 'person' AND {which} /*of person l.person_id*/ GROUP BY l.id
"""

I5 = Check(
    name="I5",
    severity=Severity.P1,
    title=_("Nothing was sent against a stop"),
    sentence=_(
        "No letter or message left us for somebody whom the register then said to be dead, or who had then opted out of"
        " that kind (ruling R1)."
    ),
    who=_("Call and recall office"),
    what_to_do=_("Ring and apologise where that helps, and find out at which step the stop was passed over."),
    in_words=_(
        "Letters handed over after the death was in our register (by the history of the person's row), and invitations or"
        " messages handed over while the person's own stop for them was recorded and not ended."
    ),
    checked="SELECT count(*) FROM outreach_letter l WHERE l.state IN ('handed_over', 'undelivered', 'settled')"
    " /*of person l.person_id*/",
    offenders="""
WITH dead AS MATERIALIZED (
    SELECT p.id, p.deceased_on, coalesce((SELECT max(h.pgh_created_at) FROM screening_personhistory h
        WHERE h.pgh_obj_id = p.id AND h.deceased_on IS NULL), '-infinity') AS known
    FROM screening_person p WHERE p.deceased_on IS NOT NULL /*of person p.id*/
), stopped AS MATERIALIZED (
    SELECT s.id, s.person_id, s.scope, s.since, s.ended_on, (SELECT min(h.pgh_created_at) FROM screening_stophistory h
        WHERE h.pgh_obj_id = s.id) AS known FROM screening_stop s WHERE true /*of person s.person_id*/
)
SELECT 'letter' AS thing, x.id, x.person_id, (x.at AT TIME ZONE %(zone)s)::date AS since, '' AS owner, 'died' AS note
FROM ("""
    + LEFT.format(which="l.person_id IN (SELECT id FROM dead) AND l.kind = ANY(%(to_the_living)s)")
    + """) x JOIN dead d ON d.id = x.person_id
WHERE x.at > d.known AND (x.at AT TIME ZONE %(zone)s)::date >= d.deceased_on
UNION ALL
SELECT 'letter', x.id, x.person_id, (x.at AT TIME ZONE %(zone)s)::date, '', 'opted_out'
FROM ("""
    + LEFT.format(which="l.person_id IN (SELECT person_id FROM stopped WHERE scope = 'invitations')"
                  " AND l.kind = ANY(%(invitations)s)")
    + """) x WHERE EXISTS (
    SELECT 1 FROM stopped s WHERE s.person_id = x.person_id AND s.scope = 'invitations' AND x.at > s.known
    AND s.since <= (x.at AT TIME ZONE %(zone)s)::date
    AND (s.ended_on IS NULL OR s.ended_on > (x.at AT TIME ZONE %(zone)s)::date))
UNION ALL
SELECT 'letter', x.id, x.person_id, (x.claimed_at AT TIME ZONE %(zone)s)::date, '', 'channel' FROM (
    SELECT l.id, l.person_id, g.claimed_at, g.channel FROM outreach_message g JOIN outreach_letter l ON l.id = g.letter_id
    WHERE true /*of person l.person_id*/) x WHERE EXISTS (
    SELECT 1 FROM stopped s WHERE s.person_id = x.person_id AND s.scope = x.channel AND x.claimed_at > s.known
    AND s.since <= (x.claimed_at AT TIME ZONE %(zone)s)::date
    AND (s.ended_on IS NULL OR s.ended_on > (x.claimed_at AT TIME ZONE %(zone)s)::date))
""",
    notes={
        "died": _("the person was known to be dead"),
        "opted_out": _("the person had opted out"),
        "channel": _("the person did not want messages this way"),
    },
    params={
        "to_the_living": _kinds(StopCode.DIED),
        "invitations": _kinds(StopCode.OPTED_OUT),
    },
)  # fmt: skip

I11 = Check(
    name="I11",
    severity=Severity.P1,
    title=_("A high result that came back is somebody's the same day"),
    sentence=_(
        "Every letter about a result at or above that came back undelivered became, the same day, a task of whoever holds"
        " the referral or of the coordinators."
    ),
    who=_("Coordinators"),
    what_to_do=_("Ring the person and the doctor today."),
    in_words=_(
        "Letters about results at or above that came back, whose task was due on a later day, or belonged to the office, or"
        " to nobody."
    ),
    checked="""
SELECT count(*) FROM outreach_letter l WHERE l.state IN ('undelivered', 'settled') AND l.kind = ANY(%(high_kinds)s)
AND l.recipient = 'person' /*of person l.person_id*/""",
    offenders="""
SELECT 'letter' AS thing, l.id, l.person_id, (m.occurred_at AT TIME ZONE %(zone)s)::date AS since,
       coalesce(u.full_name, l.pool) AS owner, 'no_task' AS note
FROM outreach_letter l JOIN outreach_lettermove m ON m.subject_id = l.id AND m.event = 'undelivered'
LEFT JOIN results_result e ON e.id = l.result_id LEFT JOIN staff_user u ON u.id = l.owner_id
WHERE l.state IN ('undelivered', 'settled') AND l.kind = ANY(%(high_kinds)s) AND l.recipient = 'person'
  AND (e.side = 'at_or_above' OR l.referral_id IS NOT NULL)
  AND ((m.due_on <= (m.occurred_at AT TIME ZONE %(zone)s)::date AND (m.owner_id IS NOT NULL OR m.pool IN (
        'coordinators', 'clinicians'))) IS NOT TRUE)
  /*of person l.person_id*/
""",
    notes={"no_task": _("nobody's task that day")},
    params={"high_kinds": sorted(ABOUT_A_HIGH_RESULT)},
)

I12 = Check(
    name="I12",
    severity=Severity.P1,
    title=_("Nobody is left with a letter that was amended"),
    sentence=_(
        "For every amended result the earlier letter was stopped, or the person had a corrected letter or was spoken with."
    ),
    who=_("Coordinators"),
    what_to_do=_("Ring the person today, then send the corrected letter."),
    in_words=_(
        "Results replaced by a newer version more than a working day ago whose letter is still on its way out, or has left"
        " and was followed by no corrected letter and no talk."
    ),
    checked="""
SELECT count(*) FROM results_result e JOIN results_result n ON n.sample_id = e.sample_id AND n.version = e.version + 1
WHERE NOT e.is_current /*of person e.person_id*/""",
    offenders="""
SELECT 'result' AS thing, e.id, e.person_id, n.authorised_on AS since, coalesce(u.full_name, l.pool) AS owner,
       CASE WHEN l.state IN ('owed', 'frozen', 'printed', 'sending') THEN 'on_its_way' ELSE 'uncorrected' END AS note
FROM results_result e JOIN results_result n ON n.sample_id = e.sample_id AND n.version = e.version + 1
JOIN outreach_letter l ON l.result_id = e.id AND l.recipient = 'person'
LEFT JOIN staff_user u ON u.id = l.owner_id
WHERE NOT e.is_current AND n.authorised_on <= %(one_working_day)s AND CASE
    WHEN l.state IN ('owed', 'frozen', 'printed', 'sending') THEN true
    WHEN l.state IN ('handed_over', 'undelivered', 'settled') THEN NOT EXISTS (
        SELECT 1 FROM outreach_letter c JOIN results_result v ON v.id = c.result_id
        WHERE v.sample_id = e.sample_id AND v.version > e.version AND c.recipient = 'person'
          AND c.state NOT IN ('cancelled', 'superseded')
        UNION ALL
        SELECT 1 FROM results_referral f JOIN results_contactattempt a ON a.referral_id = f.id
        WHERE f.person_id = e.person_id AND a.outcome = 'spoke' AND a.made_at >= n.authorised_at)
    ELSE false END
  /*of person e.person_id*/
""",
    notes={
        "on_its_way": _("the old letter is still on its way out"),
        "uncorrected": _("no corrected letter and no talk"),
    },
)

I30 = Check(
    name="I30",
    severity=Severity.P1,
    title=_("Nobody unresolved was told “below”"),
    sentence=_(
        "Nobody with an earlier result at or above that was never followed to its end got a letter “below” without a"
        " clinician's look."
    ),
    who=_("Clinicians"),
    what_to_do=_("Ring the person: the earlier result still needs its examination. Reopen the referral."),
    in_words=_(
        "Letters “below” handed over after a result at or above that still stands, while its referral was open or had been"
        " closed without an answer, and that nobody had looked at and released."
    ),
    checked="""
SELECT count(*) FROM outreach_letter l WHERE l.kind = 'result_below' AND l.state IN ('handed_over', 'undelivered', 'settled')
/*of person l.person_id*/""",
    offenders="""
SELECT DISTINCT ON (l.id) 'letter' AS thing, l.id, l.person_id, (m.occurred_at AT TIME ZONE %(zone)s)::date AS since,
       'clinicians' AS owner, 'unresolved' AS note
FROM results_result e
JOIN outreach_letter l ON l.person_id = e.person_id AND l.kind = 'result_below'
    AND l.state IN ('handed_over', 'undelivered', 'settled') AND l.round_id IS DISTINCT FROM e.round_id
JOIN outreach_lettermove m ON m.subject_id = l.id AND m.event IN ('hand_over', 'sent') AND m.occurred_at > e.authorised_at
LEFT JOIN results_referralresult c ON c.result_id = e.id LEFT JOIN results_referral f ON f.id = c.referral_id
WHERE e.is_current AND e.side = 'at_or_above'
  AND (f.state = 'closed' AND f.closed_at <= m.occurred_at AND f.close_reason = ANY(%(resolved_by)s)) IS NOT TRUE
  AND NOT EXISTS (SELECT 1 FROM outreach_lettermove r WHERE r.subject_id = l.id AND r.event = 'release')
  /*of person e.person_id*/
ORDER BY l.id, m.seq
""",
    notes={"unresolved": _("an earlier result at or above was open")},
    params={"resolved_by": sorted(RESOLVED_BY)},
)

I32 = Check(
    name="I32",
    severity=Severity.P2,
    title=_("Nobody was reminded of a kit we had"),
    sentence=_("No reminder left us while a kit of that round was in the building."),
    who=_("Call and recall office"),
    what_to_do=_(
        "Find the sack that was not opened, and settle with the desk why the reminders were not held back."
    ),
    in_words=_(
        "Reminders and second contacts handed over after a delivery had reached the building that held a kit of their"
        " round."
    ),
    checked="""
SELECT count(*) FROM outreach_letter l WHERE l.kind IN ('reminder', 'second_contact')
AND l.state IN ('handed_over', 'undelivered', 'settled') /*of person l.person_id*/""",
    offenders="""
SELECT 'letter' AS thing, l.id, l.person_id, min(m.occurred_at AT TIME ZONE %(zone)s)::date AS since, '' AS owner,
       'in_the_building' AS note
FROM screening_return b JOIN screening_delivery d ON d.id = b.delivery_id JOIN screening_kit k ON k.id = b.kit_id
JOIN outreach_letter l ON l.round_id = k.round_id AND l.kind IN ('reminder', 'second_contact')
    AND l.state IN ('handed_over', 'undelivered', 'settled')
JOIN outreach_lettermove m ON m.subject_id = l.id AND m.event IN ('hand_over', 'claim') AND m.occurred_at > d.arrived_at
WHERE b.state <> 'undone' AND NOT EXISTS (
    SELECT 1 FROM screening_kit o WHERE o.round_id = k.round_id AND o.ordinal > k.ordinal AND o.dispatched_on IS NOT NULL)
  /*of person l.person_id*/
GROUP BY l.id
""",
    notes={"in_the_building": _("its kit was in the building")},
)

CHECKS = (I5, I10, I10B, I11, I12, I30, I32)
