"""Lays a past round of everybody in the register: kits, returns and scans, as a registry in use holds them."""

from datetime import timedelta

from django.db import connections

from oversight.measuring.bench import Bench, bare_hands
from screening.models import Delivery
from screening.services.intake import session_start
from staff import clock

OFFSET = 1_000_000_000
"""Numbers of the past, away from those that the measurement makes."""
PAST = (
    """
    INSERT INTO screening_round (id, state, last_seq, pool, closed_at, close_reason, person_id, protocol_id, nth,
        invited_on, dispatched_on, sex_at_invitation, age_at_invitation)
    SELECT %(offset)s + p.id, 'closed', 4, '', roundbook_now(), 'below', p.id, (SELECT min(id) FROM screening_protocol),
        1, %(day)s, %(day)s, p.sex, 60
    FROM screening_person p WHERE NOT EXISTS (SELECT 1 FROM screening_round r WHERE r.person_id = p.id)
    """,
    """
    INSERT INTO screening_kit (id, state, last_seq, pool, close_reason, serial, lot_id, round_id, ordinal, dispatched_on,
        void_reason)
    SELECT r.id, 'returned', 4, '', '', 'PAST' || r.id, (SELECT min(id) FROM screening_lot), r.id, 1, %(day)s, ''
    FROM screening_round r WHERE r.id > %(offset)s
    """,
    """
    INSERT INTO screening_return (id, state, last_seq, pool, close_reason, kit_id, delivery_id, session_id, arrived_on,
        label_day, collected_earliest, collected_latest, name_checked, remark)
    SELECT k.id, 'ready', 2, '', '', k.id, %(delivery)s, %(session)s, %(day)s::date + 9, '7', %(day)s::date + 7,
        %(day)s::date + 7, true, ''
    FROM screening_kit k WHERE k.id > %(offset)s
    """,
    """
    INSERT INTO screening_scan (session_id, sequence, raw, kit_id, outcome, code, typed, "window", offline, heard_at, by_id)
    SELECT %(session)s, k.id - %(offset)s, k.serial, k.id, 'accepted', 'fit', false, 'w', false,
        roundbook_now() - interval '700 days', %(by)s
    FROM screening_kit k WHERE k.id > %(offset)s
    """,
)
TABLES = ("screening_round", "screening_kit", "screening_return", "screening_scan")


def past_laid(bench: Bench, delivery: Delivery) -> None:
    """A round two years ago for everybody who has none, all of them scanned; statistics taken, connections closed."""
    old = session_start(by=bench.desk, delivery=delivery)
    facts = {
        "offset": OFFSET, "day": clock.today() - timedelta(days=800), "delivery": delivery.pk, "session": old.pk,
        "by": bench.desk.pk,
    }  # fmt: skip
    with bare_hands(*TABLES, by=bench.desk) as owner:
        for statement in PAST:
            owner.execute(statement.encode(), facts)
        owner.execute("VACUUM ANALYZE")
    connections.close_all()
