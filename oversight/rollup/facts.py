"""The one statement that says what the ledgers mean for a round: its fact. Folding, rebuilding and proving all use it.

Everything follows from rows that are never overwritten or whose change leaves a mark; `people` limits it to the rounds of
some people, because a round's screening history depends on the same person's earlier rounds.
"""

from collections.abc import Mapping

from results.findings import ADENOMAS
from results.models.referrals import FindingClass

COLUMNS: Mapping[str, str] = {
    "round_id": "bigint NOT NULL",
    "person_id": "bigint NOT NULL",
    "counted": "boolean NOT NULL",
    "outside": "boolean NOT NULL",
    "invited_on": "date NOT NULL",
    "start_on": "date NOT NULL",
    "area_id": "bigint NOT NULL",
    "sex": "varchar(8) NOT NULL",
    "age": "smallint NOT NULL",
    "fifth": "smallint NOT NULL",
    "history": "smallint NOT NULL",
    "band": "smallint NOT NULL",
    "kits": "smallint NOT NULL",
    "kits_back": "smallint NOT NULL",
    "kits_rejected": "smallint NOT NULL",
    "undated": "smallint",
    "undelivered": "boolean NOT NULL",
    "lost": "boolean NOT NULL",
    "due_on": "date",
    "arrived_on": "date",
    "usable_on": "date",
    "collected_on": "date",
    "analysed_on": "date",
    "sample_age": "smallint",
    "over_age": "boolean",
    "reached_on": "date",
    "released_on": "date",
    "value": "smallint",
    "high": "boolean NOT NULL",
    "unsure": "boolean NOT NULL",
    "lot_id": "bigint",
    "laboratory_id": "bigint",
    "referral_id": "bigint",
    "letter_on": "date",
    "contact_on": "date",
    "assess_on": "date",
    "exam_on": "date",
    "exam_site_id": "bigint",
    "ended_on": "date",
    "ended_by": "varchar(24) NOT NULL",
    "scopes": "smallint NOT NULL",
    "complete": "smallint NOT NULL",
    "adequate": "smallint NOT NULL",
    "conclusive": "boolean NOT NULL",
    "harmed": "smallint NOT NULL",
    "bled": "smallint NOT NULL",
    "perforated": "smallint NOT NULL",
    "removed": "smallint NOT NULL",
    "retrieved": "smallint NOT NULL",
    "removals": "smallint",
    "bled_after": "smallint",
    "admitted": "smallint",
    "died": "smallint",
    "negative": "smallint",
    "minutes": "smallint",
    "comforted": "smallint",
    "adenomas": "smallint",
    "pots": "smallint",
    "told_14": "smallint",
    "told": "smallint",
    "high_grade": "smallint",
    "finding": "varchar(20) NOT NULL",
    "place": "varchar(20) NOT NULL",
}
"""The columns of a fact, in order, with their types; what only those examined have is null for all others and costs them nothing."""

LOST = ("excluded", "died", "moved_away", "superseded", "undeliverable")
"""Close reasons that leave a round out of the adjusted denominator, when it has no usable result in time."""
NO_ROUND = ("entered_in_error", "postponed", "excluded", "result_withdrawn", "superseded", "died")
"""Close reasons after which no interval runs, as the rule of recall has it (`screening.services.due`)."""
HISTOLOGY_DAYS = 14
"""Ten working days, public holidays not counted. Source: job 2.15, histology expected within 10 working days."""
_WORST = "ARRAY[" + ", ".join(f"'{value}'" for value in FindingClass.values) + "]::varchar[]"
_LOST = ", ".join(f"'{reason}'" for reason in LOST)
_NO_ROUND = ", ".join(f"'{reason}'" for reason in NO_ROUND)
_ADENOMA = ", ".join(f"'{tissue}'" for tissue in sorted(ADENOMAS))
_NEGATIVE = "WHERE x.kind = 'colonoscopy' AND x.complete AND x.finding = 'nothing'"
_EXAMINED = ", ".join(
    f"x.{name}::smallint AS {name}" for name in (
        "removals", "bled_after", "admitted", "died", "negative", "minutes", "comforted", "adenomas", "pots", "told_14",
        "told", "high_grade",
    )
)  # fmt: skip
_IN_HOSPITAL = "'admission', 'long', 'severe', 'death'"

BANDS = (
    "CASE WHEN {v} IS NULL THEN 0 WHEN {v} < 4 THEN 1 WHEN {v} < 10 THEN 2 WHEN {v} < 20 THEN 3 ELSE 4 END"
)
"""Bands of the value in the round before: 0 none, 1 below 4, 2 below 10, 3 below 20, 4 from 20 µg/g on."""

FACTS = f"""
WITH c AS (
    SELECT r.id, r.person_id, r.invited_on, r.dispatched_on, r.state, r.close_reason, r.batch_id IS NOT NULL AS batched,
           coalesce(r.dispatched_on, r.invited_on) AS start_on, coalesce(r.area_id, 0) AS area_id,
           r.sex_at_invitation AS sex, coalesce(r.age_at_invitation / 5 * 5, -1)::smallint AS age,
           coalesce(r.deprivation_fifth, 0)::smallint AS fifth,
           r.sex_at_invitation NOT IN ('female', 'male') OR r.age_at_invitation IS NULL AS unsure,
           lead(r.id) OVER w IS NOT NULL AS followed,
           CASE WHEN lag(r.close_reason) OVER w = 'follow_up_concluded' THEN lag(r.due_on) OVER w ELSE (max(
               CASE WHEN r.close_reason NOT IN ({_NO_ROUND}) THEN greatest(r.invited_on, CASE WHEN r.close_reason = 'below'
                   THEN (r.closed_at AT TIME ZONE %(zone)s)::date END) END)
               OVER (w ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
               + make_interval(months => q.interval_months))::date END AS due_on
    FROM screening_round r LEFT JOIN screening_screeningpolicy q ON q.protocol_id = r.protocol_id
    WHERE {{people}} r.state <> ''
    WINDOW w AS (PARTITION BY r.person_id ORDER BY r.invited_on, r.id)
), kit AS (
    SELECT k.round_id, count(k.dispatched_on) AS kits, min(b.arrived_on) AS arrived_on, count(b.id) AS kits_back,
           count(*) FILTER (WHERE b.state = 'unsuitable' OR s.state IN ('unsuitable', 'not_measurable')) AS rejected,
           count(*) FILTER (WHERE b.collected_earliest < b.collected_latest) AS undated,
           bool_or(k.state = 'undelivered') AS undelivered
    FROM c JOIN screening_kit k ON k.round_id = c.id
    LEFT JOIN screening_return b ON b.kit_id = k.id AND b.state NOT IN ('', 'undone')
    LEFT JOIN results_sample s ON s.return_of_id = b.id
    GROUP BY k.round_id
), usable AS (
    SELECT chain.round_id, min(chain.first_on) AS usable_on FROM (
        SELECT e.round_id, e.sample_id, min(e.authorised_on) AS first_on
        FROM c JOIN results_result e ON e.round_id = c.id
        GROUP BY e.round_id, e.sample_id HAVING bool_or(e.is_current)
    ) chain GROUP BY chain.round_id
), decided AS (
    SELECT e.round_id, e.id AS result_id, e.authorised_on AS released_on, e.side = 'at_or_above' AS high,
           CASE WHEN NOT e.qualitative THEN least(floor(e.reported_ug_g), 32000)::smallint END AS value,
           e.analysed_on, s.collected_earliest AS collected_on, k.lot_id, a.site_id AS laboratory_id, l.referral_id,
           b.arrived_on AS reached_on, e.analysed_on - s.collected_earliest > m.sample_age_limit_days AS over_age
    FROM c JOIN results_result e ON e.round_id = c.id AND e.is_deciding
    JOIN results_sample s ON s.id = e.sample_id JOIN screening_kit k ON k.id = s.kit_id
    JOIN screening_return b ON b.id = s.return_of_id JOIN screening_kitmodel m ON m.id = e.kit_model_id
    JOIN results_run q ON q.id = e.run_id JOIN results_analyser a ON a.id = q.analyser_id
    LEFT JOIN results_referralresult l ON l.result_id = e.id
), post AS (
    SELECT d.round_id, min((m.occurred_at AT TIME ZONE %(zone)s)::date) AS letter_on
    FROM decided d JOIN outreach_letter t ON t.result_id = d.result_id AND t.kind IN ('below', 'more_tests')
    JOIN outreach_lettermove m ON m.subject_id = t.id AND m.event = 'hand_over'
    GROUP BY d.round_id
), high AS (
    SELECT d.round_id, d.referral_id, f.close_reason,
           CASE WHEN f.state = 'closed' THEN (f.closed_at AT TIME ZONE %(zone)s)::date END AS ended_on
    FROM decided d JOIN results_referral f ON f.id = d.referral_id
), spoken AS (
    SELECT h.round_id, min(t.made_on) AS contact_on
    FROM high h JOIN results_contactattempt t ON t.referral_id = h.referral_id AND t.outcome = 'spoke' GROUP BY 1
), assessed AS (
    SELECT h.round_id, min(t.made_on) AS assess_on
    FROM high h JOIN results_assessment t ON t.referral_id = h.referral_id GROUP BY 1
), harm AS (
    SELECT x.id, bool_or(a.kind = 'bleeding') AS bled, bool_or(a.kind = 'perforation') AS perforated,
           bool_or(a.severity IN ({_IN_HOSPITAL})) AS admitted
    FROM high h JOIN results_examination x ON x.referral_id = h.referral_id
    JOIN results_adverseevent a ON a.examination_id = x.id AND a.happened_on BETWEEN x.day AND x.day + 30
    WHERE coalesce((SELECT j.cause FROM results_eventjudgement j WHERE j.event_id = a.id ORDER BY j.id DESC LIMIT 1),
                   '') <> 'unrelated'
    GROUP BY x.id
), polyp AS (
    SELECT x.id, count(*) FILTER (WHERE l.removal IN ('en_bloc', 'piecemeal')) AS removed,
           count(*) FILTER (WHERE l.removal IN ('en_bloc', 'piecemeal') AND l.retrieved) AS retrieved,
           count(*) FILTER (WHERE coalesce(t.tissue IN ({_ADENOMA}), l.looks = 'adenoma')
               AND NOT EXISTS (SELECT 1 FROM results_lesionrow z WHERE z.same_as_id = l.id)) AS adenomas,
           count(l.pot) AS pots, count(*) FILTER (WHERE l.pot IS NOT NULL AND t.first_on - x.day <= {HISTOLOGY_DAYS}) AS told_14,
           count(t.tissue) AS told,
           count(*) FILTER (WHERE t.dysplasia = 'high' AND t.tissue NOT IN ('carcinoma', 'other_cancer')) AS high_grade
    FROM high h JOIN results_examination x ON x.referral_id = h.referral_id
    JOIN results_lesionrow l ON l.examination_id = x.id
    LEFT JOIN LATERAL (
        SELECT t.tissue, t.dysplasia, min(t.reported_on) OVER () AS first_on FROM results_histology t
        WHERE t.lesion_id = l.id ORDER BY t.version DESC LIMIT 1) t ON true
    GROUP BY x.id
), looked AS (
    SELECT h.round_id, min(x.day) AS exam_on, (array_agg(x.site_id ORDER BY x.day, x.id))[1] AS exam_site_id,
           count(*) FILTER (WHERE x.kind = 'colonoscopy') AS scopes,
           count(*) FILTER (WHERE x.kind = 'colonoscopy' AND x.complete) AS complete,
           count(*) FILTER (WHERE x.kind = 'colonoscopy' AND x.prep_adequate) AS adequate,
           bool_or(x.complete AND x.prep_adequate) AS conclusive,
           count(m.id) FILTER (WHERE x.kind = 'colonoscopy') AS harmed,
           count(*) FILTER (WHERE m.bled AND x.kind = 'colonoscopy') AS bled,
           count(*) FILTER (WHERE m.perforated AND x.kind = 'colonoscopy') AS perforated,
           sum(p.removed) AS removed, sum(p.retrieved) AS retrieved,
           count(*) FILTER (WHERE p.removed > 0 AND x.kind = 'colonoscopy') AS removals,
           count(*) FILTER (WHERE m.bled AND p.removed > 0 AND x.kind = 'colonoscopy') AS bled_after,
           count(*) FILTER (WHERE m.admitted AND x.kind = 'colonoscopy') AS admitted,
           count(*) FILTER (WHERE y.deceased_on BETWEEN x.day AND x.day + 30 AND x.kind = 'colonoscopy') AS died,
           count(x.withdrawal_minutes) FILTER ({_NEGATIVE}) AS negative,
           coalesce(sum(x.withdrawal_minutes) FILTER ({_NEGATIVE}), 0) AS minutes,
           count(*) FILTER (WHERE x.comfort <> '' AND x.kind = 'colonoscopy') AS comforted,
           coalesce(sum(p.adenomas) FILTER (WHERE x.kind = 'colonoscopy'), 0) AS adenomas, coalesce(sum(p.pots), 0) AS pots,
           coalesce(sum(p.told_14), 0) AS told_14, coalesce(sum(p.told), 0) AS told,
           coalesce(sum(p.high_grade), 0) AS high_grade,
           ({_WORST})[min(array_position({_WORST}, x.finding))] AS worst
    FROM high h JOIN results_examination x ON x.referral_id = h.referral_id
    JOIN results_referral g ON g.id = h.referral_id JOIN screening_person y ON y.id = g.person_id
    LEFT JOIN harm m ON m.id = x.id LEFT JOIN polyp p ON p.id = x.id
    GROUP BY h.round_id
), signed AS (
    SELECT DISTINCT ON (h.round_id) h.round_id, n.finding
    FROM high h JOIN results_nextstep n ON n.referral_id = h.referral_id ORDER BY h.round_id, n.id DESC
), computed AS (
    SELECT DISTINCT ON (h.round_id) h.round_id, n.finding
    FROM high h JOIN results_findingcomputed n ON n.referral_id = h.referral_id ORDER BY h.round_id, n.id DESC
), past AS (
    SELECT c.id, c.person_id, c.invited_on,
           u.usable_on IS NOT NULL OR NOT c.batched AND c.close_reason IN ('below', 'follow_up_concluded') AS took,
           d.value
    FROM c LEFT JOIN usable u ON u.round_id = c.id LEFT JOIN decided d ON d.round_id = c.id
), history AS (
    SELECT p.id, CASE WHEN lag(p.took) OVER w THEN 2 WHEN bool_or(p.took) OVER (w ROWS BETWEEN UNBOUNDED PRECEDING
               AND 1 PRECEDING) THEN 1 ELSE 0 END AS history,
           {BANDS.format(v="lag(p.value) OVER w")} AS band
    FROM past p WINDOW w AS (PARTITION BY p.person_id ORDER BY p.invited_on, p.id)
)
SELECT c.id AS round_id, c.person_id,
    c.batched AND c.close_reason <> 'entered_in_error' AND NOT (c.close_reason = 'postponed' AND c.followed) AS counted,
    NOT c.batched AND c.close_reason <> 'entered_in_error' AS outside,
    c.invited_on, c.start_on, c.area_id, c.sex, c.age, c.fifth, h.history::smallint AS history, h.band::smallint AS band,
    coalesce(kit.kits, 0)::smallint AS kits, coalesce(kit.kits_back, 0)::smallint AS kits_back,
    coalesce(kit.rejected, 0)::smallint AS kits_rejected, kit.undated::smallint AS undated,
    coalesce(kit.undelivered, false) AS undelivered,
    c.close_reason IN ({_LOST}) OR coalesce(kit.undelivered AND kit.arrived_on IS NULL, false) AS lost,
    c.due_on, kit.arrived_on, u.usable_on, d.collected_on, d.analysed_on,
    least(greatest(d.analysed_on - d.collected_on, 0), 999)::smallint AS sample_age,
    d.over_age, d.reached_on, d.released_on, d.value, coalesce(d.high, false) AS high, c.unsure, d.lot_id, d.laboratory_id, d.referral_id,
    post.letter_on, spoken.contact_on, assessed.assess_on, x.exam_on, x.exam_site_id, g.ended_on,
    coalesce(g.close_reason, '')::varchar(24) AS ended_by, coalesce(x.scopes, 0)::smallint AS scopes,
    coalesce(x.complete, 0)::smallint AS complete, coalesce(x.adequate, 0)::smallint AS adequate,
    coalesce(x.conclusive, false) AS conclusive, coalesce(x.harmed, 0)::smallint AS harmed,
    coalesce(x.bled, 0)::smallint AS bled, coalesce(x.perforated, 0)::smallint AS perforated,
    coalesce(x.removed, 0)::smallint AS removed, coalesce(x.retrieved, 0)::smallint AS retrieved,
    {_EXAMINED},
    CASE WHEN x.exam_on IS NULL THEN '' ELSE coalesce(signed.finding, computed.finding, x.worst, '') END::varchar(20) AS finding,
    CASE c.state
        WHEN 'kit_due' THEN 'kit_due' WHEN 'kit_out' THEN 'kit_out' WHEN 'result_due' THEN 'laboratory'
        WHEN 'follow_up' THEN CASE WHEN x.exam_on IS NOT NULL THEN 'to_conclude'
            WHEN spoken.contact_on IS NOT NULL THEN 'to_examine' ELSE 'to_reach' END
        ELSE CASE c.close_reason
            WHEN 'below' THEN 'below' WHEN 'not_returned' THEN 'not_returned' WHEN 'declined' THEN 'declined'
            WHEN 'undeliverable' THEN 'undeliverable' WHEN 'no_usable_sample' THEN 'no_usable_sample'
            WHEN 'postponed' THEN 'postponed' WHEN 'result_withdrawn' THEN 'withdrawn'
            WHEN 'follow_up_concluded' THEN
                CASE WHEN x.exam_on IS NULL THEN 'concluded_other' ELSE 'concluded_examined' END
            ELSE 'left' END
    END::varchar(20) AS place
FROM c JOIN history h ON h.id = c.id
LEFT JOIN kit ON kit.round_id = c.id LEFT JOIN usable u ON u.round_id = c.id LEFT JOIN decided d ON d.round_id = c.id
LEFT JOIN post ON post.round_id = c.id LEFT JOIN high g ON g.round_id = c.id
LEFT JOIN spoken ON spoken.round_id = c.id LEFT JOIN assessed ON assessed.round_id = c.id
LEFT JOIN looked x ON x.round_id = c.id LEFT JOIN signed ON signed.round_id = c.id
LEFT JOIN computed ON computed.round_id = c.id
"""


def facts_sql(*, people: str = "") -> str:
    """The statement; `people` is a condition on `r` that limits whose rounds, with its parameters named by the caller."""
    return FACTS.format(people=f"{people} AND" if people else "")


def same(one: str, other: str) -> str:
    """SQL that is true where two facts do not differ in any column."""
    sides = ["(" + ", ".join(f"{alias}.{name}" for name in COLUMNS) + ")" for alias in (one, other)]
    return f"{sides[0]} IS NOT DISTINCT FROM {sides[1]}"
