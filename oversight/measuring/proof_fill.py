"""Gives the rounds of past years what a proof looks at: every move, the letters, the controls, and the signed next steps.

Rows are made by set-based SQL with the triggers off, in the shapes the services leave, so that every check holds.
"""

from collections.abc import Callable, Sequence

from oversight.measuring.laying import laid_bare
from oversight.services.rollup import rebuild
from staff import clock
from staff.models import User

_MOVE = """
INSERT INTO {moves} (subject_id, seq, event, from_state, to_state, reason, actor_id, occurred_at, recorded_at, due_on, pool)
SELECT s.id, x.seq, x.event, x.source, x.target, x.reason, %(by)s, x.at::timestamptz, x.at::timestamptz, x.due, x.pool
FROM {source} CROSS JOIN LATERAL (VALUES {rows}) x (seq, event, source, target, reason, at, due, pool) WHERE x.event <> ''
"""


def _moves(moves: str, source: str, *rows: tuple[str, str, str, str, str, str, str]) -> str:
    """One statement: rows of (event, source, target, reason, at, due, pool) as SQL, in the order of their numbers."""
    told = ", ".join(
        f"({n}::smallint, {e}, {f}, {t}, {r}, {at}, ({due})::date, {pool})"
        for n, (e, f, t, r, at, due, pool) in enumerate(rows, start=1)
    )
    return _MOVE.format(moves=moves, source=source, rows=told)


REST = ("NULL", "''")
_ROUND = (
    "screening_round s LEFT JOIN screening_return b ON b.id = s.id LEFT JOIN results_result e ON e.id = s.id"
)
_LETTER = "outreach_letter s"
STATEMENTS: Sequence[str] = (
    "UPDATE screening_person p SET next_due_on = %(today)s::date + 30, address_1 = '1 Mill Lane' WHERE p.id <= %(n)s"
    " AND NOT EXISTS (SELECT 1 FROM screening_round r WHERE r.person_id = p.id AND r.state <> 'closed')",
    "UPDATE screening_return SET collected_earliest = arrived_on - 3, collected_latest = arrived_on - 3",
    "UPDATE results_run SET closed_at = opened_at WHERE closed_at IS NULL AND status = 'in_control'",
    """INSERT INTO results_controlreading (run_id, control_id, position, seq, value, z, in_control, rule, read_at, read_by_id)
    SELECT r.id, c.id, x.position, x.seq, c.target, 0, true, '', roundbook_now(), %(by)s FROM results_run r
    JOIN LATERAL (SELECT id, target FROM results_controllot WHERE analyser_id = r.analyser_id LIMIT 1) c ON true
    CROSS JOIN (VALUES ('start', 1), ('end', 2)) x (position, seq)
    WHERE NOT EXISTS (SELECT 1 FROM results_controlreading o WHERE o.run_id = r.id)""",
    "UPDATE results_reading SET running_number = q.nth FROM (SELECT id, row_number() OVER (PARTITION BY run_id ORDER BY id) + 10000000"
    " AS nth FROM results_reading) q WHERE q.id = results_reading.id",
    "UPDATE results_result SET reported_ug_g = div(2 * raw_value * buffer_ml * 10 + stool_mg, 2 * stool_mg) / 10",
    "UPDATE results_result SET side = CASE WHEN reported_ug_g >= 20 OR raw_value * buffer_ml >= 20 * stool_mg THEN 'at_or_above'"
    " ELSE 'below' END",
    "UPDATE results_sample s SET serial = k.serial FROM screening_kit k WHERE k.id = s.kit_id AND s.serial <> k.serial",
    """INSERT INTO results_nextstep (referral_id, finding, histology, step, "on", words, deviation, signed_by_id, signed_on)
    SELECT f.id, 'nothing', '', 'screening', f.opened_on + 700, 'back to screening', '', %(by)s, f.opened_on + 130
    FROM results_referral f WHERE f.id <= %(n)s""",
    "UPDATE results_nextstep n SET finding = 'inconclusive' WHERE NOT EXISTS (SELECT 1 FROM results_examination x WHERE"
    " x.referral_id = n.referral_id)",
    """INSERT INTO results_closingevidence (referral_id, reason, document, note, next_step_id, closed_by_id, closed_on)
    SELECT n.referral_id, 'next_step_signed', '', 'signed', n.id, %(by)s, n.signed_on FROM results_nextstep n""",
    """INSERT INTO outreach_letter (state, last_seq, pool, close_reason, kind, recipient, person_id, round_id, result_id, referral_id,
        key, text_version, context, checksum, language, state_since)
    SELECT 'handed_over', 4, '', '', k.kind, 'person', r.person_id, r.id, k.result, k.referral, k.kind || ':' || r.id, '1', '{}', '0',
        '', r.invited_on::timestamptz
    FROM screening_round r LEFT JOIN results_result e ON e.id = r.id CROSS JOIN LATERAL (VALUES
        ('invitation', NULL::bigint, NULL::bigint),
        (CASE e.side WHEN 'below' THEN 'result_below' ELSE 'result_more_tests' END, e.id,
         CASE WHEN e.side = 'at_or_above' THEN e.id END)) k (kind, result, referral)
    WHERE r.id <= %(n)s AND (k.kind = 'invitation' OR e.id IS NOT NULL)""",
    "UPDATE screening_round r SET close_reason = CASE WHEN e.side = 'below' THEN 'below' ELSE 'follow_up_concluded' END"
    " FROM results_result e WHERE e.id = r.id AND r.close_reason <> CASE WHEN e.side = 'below' THEN 'below' ELSE"
    " 'follow_up_concluded' END",
    "DELETE FROM results_referralresult l USING results_result e WHERE e.id = l.result_id AND e.side = 'below'",
    """INSERT INTO results_referral (id, state, last_seq, pool, closed_at, close_reason, person_id, opened_on)
    SELECT e.id, 'closed', 1, '', (e.authorised_on + 60)::timestamptz, 'died', e.person_id, e.authorised_on FROM results_result e
    WHERE false""",
    _moves(
        "screening_roundmove", _ROUND,
        ("'open'", "''", "'kit_due'", "''", "s.invited_on", "s.invited_on", "'office'"),
        ("'kit_sent'", "'kit_due'", "'kit_out'", "''", "s.dispatched_on", "s.dispatched_on + 90", "'office'"),
        ("CASE WHEN b.id IS NULL THEN 'close' ELSE 'kit_back' END", "'kit_out'",
         "CASE WHEN b.id IS NULL THEN 'closed' ELSE 'result_due' END", "CASE WHEN b.id IS NULL THEN s.close_reason ELSE '' END",
         "coalesce(b.arrived_on, s.dispatched_on + 90)", "CASE WHEN b.id IS NULL THEN NULL ELSE b.arrived_on + 7 END",
         "CASE WHEN b.id IS NULL THEN '' ELSE 'laboratory' END"),
        ("CASE WHEN b.id IS NULL THEN '' WHEN e.id IS NULL THEN 'close' WHEN e.side = 'below' THEN 'below' ELSE 'at_or_above' END",
         "'result_due'", "CASE WHEN e.side = 'at_or_above' THEN 'follow_up' ELSE 'closed' END",
         "CASE WHEN e.side = 'at_or_above' THEN '' ELSE s.close_reason END", "coalesce(e.authorised_on, b.arrived_on + 3)",
         "CASE WHEN e.side = 'at_or_above' THEN e.authorised_on + 7 END", "CASE WHEN e.side = 'at_or_above' THEN 'coordinators' ELSE '' END"),
        ("CASE WHEN e.side = 'at_or_above' THEN 'conclude' ELSE '' END", "'follow_up'", "'closed'", "s.close_reason",
         "coalesce(e.authorised_on, s.invited_on) + 130", *REST),
    ),
    _moves(
        "screening_kitmove", "screening_kit s JOIN screening_round r ON r.id = s.round_id",
        ("'stock'", "''", "'in_stock'", "''", "r.invited_on", *REST),
        ("'assign'", "'in_stock'", "'assigned'", "''", "r.invited_on", *REST),
        ("'dispatch'", "'assigned'", "'dispatched'", "''", "r.invited_on + 1", *REST),
        ("CASE WHEN s.state = 'returned' THEN 'return' ELSE '' END", "'dispatched'", "'returned'", "''", "r.invited_on + 9", *REST),
    ),
    _moves(
        "screening_returnmove", "screening_return s",
        ("'log'", "''", "'logged'", "''", "s.arrived_on", "s.arrived_on", "'front_desk'"),
        ("CASE WHEN s.state = 'ready' THEN 'accept' ELSE 'reject' END", "'logged'", "s.state", "''", "s.arrived_on", *REST),
    ),
    _moves(
        "results_samplemove", "results_sample s JOIN results_result e ON e.id = s.id",
        ("'take_in'", "''", "'ready'", "''", "e.analysed_on - 1", "e.analysed_on", "'laboratory'"),
        ("'measure'", "'ready'", "'measured'", "''", "e.analysed_on", "e.analysed_on", "'laboratory'"),
        ("'bracket'", "'measured'", "'ready_to_authorise'", "''", "e.analysed_on", "e.analysed_on", "'laboratory'"),
        ("'report'", "'ready_to_authorise'", "'reported'", "''", "e.authorised_on", *REST),
    ),
    _moves(
        "results_referralmove", "results_referral s",
        ("'open'", "''", "'to_reach'", "''", "s.opened_on", "s.opened_on + 1", "'coordinators'"),
        ("'reached'", "'to_reach'", "'to_assess'", "''", "s.opened_on + 2", "s.opened_on + 5", "'coordinators'"),
        ("'close'", "'to_assess'", "'closed'", "s.close_reason", "s.opened_on + 130", *REST),
    ),
    _moves(
        "outreach_lettermove", _LETTER,
        ("'owe'", "''", "'owed'", "''", "s.state_since", "s.state_since::date", "'office'"),
        ("'freeze'", "'owed'", "'frozen'", "''", "s.state_since", "s.state_since::date", "'office'"),
        ("'print'", "'frozen'", "'printed'", "''", "s.state_since", "s.state_since::date", "'office'"),
        ("'hand_over'", "'printed'", "'handed_over'", "''", "s.state_since", *REST),
    ),
    *(
        f"UPDATE {subject} s SET last_seq = m.seq, due_on = NULL, pool = '', owner_id = NULL FROM (SELECT subject_id, max(seq) AS seq"
        f" FROM {moves} GROUP BY 1) m WHERE m.subject_id = s.id"
        for subject, moves in (
            ("screening_round", "screening_roundmove"), ("screening_kit", "screening_kitmove"),
            ("screening_return", "screening_returnmove"), ("results_sample", "results_samplemove"),
            ("results_referral", "results_referralmove"),
        )
    ),
)  # fmt: skip
TABLES = (
    "screening_person", "screening_round", "screening_roundmove", "screening_kit", "screening_kitmove", "screening_return",
    "screening_returnmove", "results_sample", "results_samplemove", "results_reading", "results_result", "results_referral",
    "results_referralmove", "results_referralresult", "results_nextstep", "results_closingevidence", "outreach_letter",
    "outreach_lettermove", "results_run", "results_controlreading",
)  # fmt: skip


def proof_laid_down(people: int, *, by: User, tell: Callable[[str], None] = lambda _words: None) -> None:
    """Everything a proof looks at, for so many rounds of past years; then all facts."""
    with laid_bare(*TABLES, by=by) as owner:
        for statement in STATEMENTS:
            tell(statement.strip().split("\n")[0][:60])
            owner.execute(statement.encode(), {"n": people, "today": clock.today(), "by": by.pk})
        owner.execute("ANALYZE")
    tell("facts and cells")
    rebuild()
