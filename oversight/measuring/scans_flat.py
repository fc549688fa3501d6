"""Measures whether a scan's cost follows the work and not the registry: the same scan before and after a long past."""

from collections.abc import Sequence
from datetime import timedelta
from statistics import median
from time import perf_counter

from django.db import connections

from oversight.measuring.bench import Bench, Measured, bare_hands, with_times
from oversight.measuring.rounds import rounds_out, serials_of
from screening.models import IntakeSession
from screening.services.intake import bench_scan, delivery_record, session_start
from staff import clock
from staff.models import Site

SCANS = 150
WARM = 20
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


def scan_flat(bench: Bench) -> Measured:
    """One scanner in this process; the ratio is one where a past round of everybody in the register costs nothing."""
    left = iter(serials_of(rounds_out(2 * (SCANS + WARM), by=bench.desk)))
    site, today = Site.objects.filter(receives_kits=True)[0], clock.today()
    delivery = delivery_record(by=bench.desk, site=site, arrived_on=today)
    before = _scanned(
        bench, [next(left) for _ in range(SCANS + WARM)], session_start(by=bench.desk, delivery=delivery)
    )
    old = session_start(by=bench.desk, delivery=delivery)
    facts = {
        "offset": OFFSET, "day": today - timedelta(days=800), "delivery": delivery.pk, "session": old.pk,
        "by": bench.desk.pk,
    }  # fmt: skip
    with bare_hands(*TABLES, by=bench.desk) as owner:
        for statement in PAST:
            owner.execute(statement.encode(), facts)
        owner.execute("VACUUM ANALYZE")
    connections.close_all()
    after = _scanned(
        bench, [next(left) for _ in range(SCANS + WARM)], session_start(by=bench.desk, delivery=delivery)
    )
    found = bench.result(
        items=SCANS, seconds=sum(after), limit_seconds=sum(before), ratio=median(before) / median(after)
    )
    return with_times(found, after)


def _scanned(bench: Bench, serials: Sequence[str], session: IntakeSession) -> list[float]:
    """Seconds of each scan of these kits, the first ones left out."""
    day, times = str((clock.today() - timedelta(days=2)).day), []
    for sequence, serial in enumerate(serials, start=1):
        began = perf_counter()
        answer = bench_scan(
            by=bench.desk, session=session, sequence=sequence, raw=serial, day=day, window="w"
        )
        times.append(perf_counter() - began)
        if answer.outcome not in ("accepted", "accepted_with_remark"):
            raise AssertionError(f"A kit was not accepted: {answer.outcome} {answer.code}")
    return times[WARM:]
