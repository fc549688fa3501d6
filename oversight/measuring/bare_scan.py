"""The bare scan: one psycopg transaction of the same facts, without Django, rules or checks of who asks.

It writes every row a scan of ours writes: scan, return, moves, to-do, what the moves project, counts and place. Once on
the tables as they stand, whose triggers project the moves and write the to-do; once with their triggers off, when it
writes those rows itself and the return only once.
"""

from collections.abc import Sequence
from threading import Barrier
from time import perf_counter
from typing import Any

import psycopg

READ = """
SELECT k.id, k.last_seq, r.id, r.last_seq, p.given_names, p.family_name, p.birth_date
FROM screening_kit k JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id
JOIN screening_round r ON r.id = k.round_id JOIN screening_person p ON p.id = r.person_id
WHERE k.serial = %s FOR UPDATE OF k, r
"""
TRAY = """
INSERT INTO screening_tray (session_id, kind, label, places, filled, opened_at)
SELECT s, 'rack', 'bare ' || s, 50, 0, roundbook_now() FROM (VALUES (%s::bigint)) AS v(s)
WHERE NOT EXISTS (SELECT 1 FROM screening_tray t WHERE t.session_id = s AND t.closed_at IS NULL)
"""
_SCAN = (
    "INSERT INTO screening_scan (session_id, sequence, raw, kit_id, outcome, code, typed, heard_at, by_id)"
    " VALUES (%(session)s, %(n)s, %(serial)s, %(kit)s, 'accepted', 'accepted', false, roundbook_now(), %(by)s)"
)
_KIT_MOVE = (
    "INSERT INTO screening_kitmove (subject_id, seq, event, from_state, to_state)"
    " VALUES (%(kit)s, %(kit_seq)s + 1, 'return', 'dispatched', 'returned')"
)
_ROUND_MOVE = (
    "INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool)"
    " VALUES (%(round)s, %(round_seq)s + 1, 'kit_back', 'kit_out', 'result_due', %(today)s, 'laboratory')"
)
_RETURN_MOVES = (
    " INSERT INTO screening_returnmove (subject_id, seq, event, from_state, to_state, due_on, pool)"
    " SELECT id, seq, event, source, target, due, pool FROM back, (VALUES"
    " (1, 'log', '', 'logged', %(today)s::date, 'front_desk'), (2, 'accept', 'logged', 'ready', NULL::date, ''))"
    " AS m(seq, event, source, target, due, pool)"
)
_COUNTS = (
    "UPDATE screening_tray SET filled = 1 + filled %% places WHERE session_id = %(session)s AND closed_at IS NULL",
    "UPDATE screening_intakesession SET accepted = accepted + 1, last_sequence = %(n)s WHERE id = %(session)s",
)
WITHOUT_TRIGGERS = (
    _SCAN,
    "UPDATE screening_kit SET state = 'returned', last_seq = %(kit_seq)s + 1 WHERE id = %(kit)s",
    _KIT_MOVE,
    "UPDATE screening_round SET state = 'result_due', last_seq = %(round_seq)s + 1, due_on = %(today)s,"
    " pool = 'laboratory' WHERE id = %(round)s",
    _ROUND_MOVE,
    "WITH back AS (INSERT INTO screening_return (kit_id, delivery_id, session_id, arrived_on, label_day,"
    " collected_earliest, collected_latest, name_checked, remark, state, last_seq)"
    " VALUES (%(kit)s, %(delivery)s, %(session)s, %(today)s, '', %(day)s, %(day)s, true, '', 'ready', 2) RETURNING id),"
    " todo AS (INSERT INTO results_sampletodo (return_id, became) SELECT id, 'ready' FROM back)"
    + _RETURN_MOVES,
    *_COUNTS,
)
WITH_TRIGGERS = (
    _SCAN,
    _KIT_MOVE,
    _ROUND_MOVE,
    "WITH back AS (INSERT INTO screening_return (kit_id, delivery_id, session_id, arrived_on, label_day,"
    " collected_earliest, collected_latest, name_checked, remark)"
    " VALUES (%(kit)s, %(delivery)s, %(session)s, %(today)s, '', %(day)s, %(day)s, true, '') RETURNING id)"
    + _RETURN_MOVES,
    *_COUNTS,
)


def scan_bare(owner: psycopg.Connection[Any], writes: Sequence[str], facts: dict[str, Any]) -> None:
    """One kit: read under lock, eleven rows written or changed, committed."""
    with owner.transaction():
        row = owner.execute(READ.encode(), [facts["serial"]]).fetchone()
        if row is None:
            raise AssertionError("A kit is missing.")
        known = dict(zip(("kit", "kit_seq", "round", "round_seq"), row, strict=False)) | facts
        for statement in writes:
            owner.execute(statement.encode(), known)


_gates: list[Barrier] = []


def gate_given(gate: Barrier) -> None:
    """Give this process the gate at which all desks wait for one another."""
    _gates[:] = [gate]


def scans_bare(
    address: str,
    database: str,
    setting: Sequence[str],
    writes: Sequence[str],
    serials: Sequence[str],
    warm: int,
    facts: dict[str, Any],
) -> float:
    """One desk's kits one after the other in a connection of its own; runs in a process of its own.

    Seconds of all but the first `warm`, counted from when every desk is through with those.
    """
    with psycopg.connect(address, dbname=database, autocommit=True) as owner:
        owner.execute(
            "SELECT set_config('roundbook.actor', %s, false), set_config('roundbook.now', %s, false)", setting
        )
        owner.execute(TRAY, [facts["session"]])
        began = 0.0
        for n, serial in enumerate(serials):
            if n == warm:
                _gates[0].wait(60)
                began = perf_counter()
            scan_bare(owner, writes, facts | {"n": facts["first"] + n, "serial": serial})
        return perf_counter() - began
