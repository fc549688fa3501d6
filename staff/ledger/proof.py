"""Proves and rebuilds the projection: what a thing's row says must be what its ledger says."""

from django.db import connection

from staff.ledger.registry import Ledger


def disagreeing(ledger: Ledger) -> str:
    """SQL from FROM on: the things `s` whose row differs from their last move `m`, or that were never born.

    A thing with later moves than its row knows comes once for each of them.
    """
    return f"""
        FROM {ledger.subject_table} s
        LEFT JOIN {ledger.move_table} m ON m.subject_id = s.id AND m.seq >= s.last_seq
        WHERE (m.seq IS DISTINCT FROM s.last_seq OR s.state <> m.to_state OR s.due_on IS DISTINCT FROM m.due_on
           OR s.owner_id IS DISTINCT FROM m.owner_id OR s.pool <> m.pool OR s.state = '')
    """


def projection_differences(ledger: Ledger, *, limit: int = 20) -> tuple[int, int, list[int]]:
    """(things checked, things that disagree with their ledger, some of their ids)."""
    query = f"""
        WITH odd AS (SELECT DISTINCT s.id {disagreeing(ledger)})
        SELECT (SELECT count(*) FROM {ledger.subject_table}), (SELECT count(*) FROM odd),
               array(SELECT id FROM odd ORDER BY id LIMIT %s)
    """
    with connection.cursor() as cursor:
        cursor.execute(query, [limit])
        checked, odd, ids = cursor.fetchone()
    return int(checked), int(odd), list(ids)
