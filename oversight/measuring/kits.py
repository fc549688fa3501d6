"""Measures one scan of a returned kit, and a readings file."""

from collections.abc import Sequence
from datetime import timedelta
from decimal import Decimal
from itertools import islice
from time import perf_counter

import psycopg
from django.db import connection

from oversight.measuring.bench import ROUNDS, Bench, Measured, bare_hands, with_times
from oversight.measuring.rounds import rounds_out, serials_of
from results.lab_formats.csv_readings import COLUMNS
from results.models import Analyser, Run, Unit
from results.services.readings import readings_load
from results.services.runs import controls_for, run_open
from results.services.samples import samples_take_in
from screening.services.intake import delivery_record, kit_scan, returns_log_many, session_start
from staff import clock
from staff.models import Site

SCANS = 200
LOGGED_AT_ONCE = 500
LARGEST_FILE = 10_000
READ = """
SELECT k.id, k.last_seq, r.id, r.last_seq, p.given_names, p.family_name, p.birth_date
FROM screening_kit k JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id
JOIN screening_round r ON r.id = k.round_id JOIN screening_person p ON p.id = r.person_id
WHERE k.serial = %s FOR UPDATE OF k, r
"""
WRITES = (
    "INSERT INTO screening_scan (session_id, sequence, raw, kit_id, outcome, code, typed, heard_at, by_id)"
    " VALUES (%(session)s, %(n)s, %(serial)s, %(kit)s, 'accepted', 'accepted', false, roundbook_now(), %(by)s)",
    "UPDATE screening_kit SET state = 'returned', last_seq = %(kit_seq)s + 1 WHERE id = %(kit)s",
    "INSERT INTO screening_kitmove (subject_id, seq, event, from_state, to_state)"
    " VALUES (%(kit)s, %(kit_seq)s + 1, 'return', 'dispatched', 'returned')",
    "UPDATE screening_round SET state = 'result_due', last_seq = %(round_seq)s + 1, due_on = %(today)s,"
    " pool = 'laboratory' WHERE id = %(round)s",
    "INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool)"
    " VALUES (%(round)s, %(round_seq)s + 1, 'kit_back', 'kit_out', 'result_due', %(today)s, 'laboratory')",
    "WITH back AS (INSERT INTO screening_return (kit_id, delivery_id, session_id, arrived_on, label_day,"
    " collected_earliest, collected_latest, name_checked, remark, state, last_seq)"
    " VALUES (%(kit)s, %(delivery)s, %(session)s, %(today)s, '', %(day)s, %(day)s, true, '', 'ready', 2) RETURNING id)"
    " INSERT INTO screening_returnmove (subject_id, seq, event, from_state, to_state, due_on, pool)"
    " SELECT id, seq, event, source, target, due, pool FROM back, (VALUES"
    " (1, 'log', '', 'logged', %(today)s::date, 'front_desk'), (2, 'accept', 'logged', 'ready', NULL::date, ''))"
    " AS m(seq, event, source, target, due, pool)",
)
SCAN_TABLES = (
    "screening_scan", "screening_kit", "screening_kitmove", "screening_round", "screening_roundmove", "screening_return",
    "screening_returnmove",
)  # fmt: skip


def scan_1(bench: Bench) -> Measured:
    """One desk scanning kits one after the other, with the day on the label keyed."""
    each = max(min(SCANS, bench.people // (2 * ROUNDS + 2)), 1)
    serials = iter(serials_of(rounds_out(2 * ROUNDS * each, by=bench.desk)))
    site, today = Site.objects.filter(receives_kits=True)[0], clock.today()
    delivery = delivery_record(by=bench.desk, site=site, arrived_on=today)
    session, other = (session_start(by=bench.desk, delivery=delivery) for _ in range(2))
    day = (today - timedelta(days=2)).isoformat()
    times: list[float] = []

    def ours(n: int) -> int:
        for sequence, serial in enumerate(islice(serials, each), start=1 + n * each):
            began = perf_counter()
            answer = kit_scan(by=bench.desk, session=session, sequence=sequence, raw=serial, keyed_day=day)
            times.append(perf_counter() - began)
            if not answer.outcome.startswith("accepted"):
                raise AssertionError(f"A kit was not accepted: {answer.code}")
        return each

    def bare(n: int) -> int:
        facts = {
            "session": other.pk,
            "delivery": delivery.pk,
            "today": today,
            "day": day,
            "by": bench.desk.pk,
        }
        with bare_hands(*SCAN_TABLES, by=bench.desk) as owner:
            for sequence, serial in enumerate(islice(serials, each), start=1 + n * each):
                _bare_scan(owner, facts | {"n": sequence, "serial": serial})
        return each

    return with_times(bench.race(ours, bare), times)


def _bare_scan(owner: psycopg.Connection, facts: dict[str, object]) -> None:
    with owner.transaction():
        row = owner.execute(READ.encode(), [facts["serial"]]).fetchone()
        if row is None:
            raise AssertionError("A kit is missing.")
        known = dict(zip(("kit", "kit_seq", "round", "round_seq"), row, strict=False)) | facts
        for statement in WRITES:
            owner.execute(statement.encode(), known)


def readings(bench: Bench) -> Measured:
    """One analyser's file into an open run: every line answered, readings stored, samples moved."""
    size = max(min(LARGEST_FILE, bench.people // (2 * ROUNDS + 2)), 1)
    serials = serials_of(rounds_out(2 * ROUNDS * size, by=bench.desk))
    kits_back(serials, bench)
    ours_run, bare_run = (run_opened(analyser, bench) for analyser in Analyser.objects.order_by("pk")[:2])
    parts = iter([serials[n : n + size] for n in range(0, len(serials), size)])
    files = [_file(next(parts), first=1 + n * size) for n in range(ROUNDS)]
    bare_files = [_file(next(parts), first=1 + n * size) for n in range(ROUNDS)]

    def ours(n: int) -> int:
        return readings_load(by=bench.bench_hand, run=ours_run, name=f"{n}.csv", content=files[n]).taken

    return bench.race(ours, lambda n: _bare_file(bench, bare_run, bare_files[n]))


def kits_back(serials: Sequence[str], bench: Bench) -> None:
    """Let these kits come back and be ready on the bench."""
    site, today = Site.objects.filter(receives_kits=True)[0], clock.today()
    delivery = delivery_record(by=bench.desk, site=site, arrived_on=today)
    day = (today - timedelta(days=2)).isoformat()
    for start in range(0, len(serials), LOGGED_AT_ONCE):
        rows = [(serial, day, "") for serial in serials[start : start + LOGGED_AT_ONCE]]
        returns_log_many(by=bench.desk, delivery=delivery, rows=rows)
    samples_take_in(by=bench.bench_hand)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE results_sample, screening_return, screening_kit, screening_round")


def run_opened(analyser: Analyser, bench: Bench) -> Run:
    """An open run whose controls read their targets."""
    targets = [(lot, Decimal(lot.target)) for lot in controls_for(analyser, Unit.NG_ML)]
    return run_open(by=bench.bench_hand, analyser=analyser, unit=Unit.NG_ML, readings=targets)


def _file(serials: Sequence[str], *, first: int) -> bytes:
    lines = [",".join(COLUMNS)]
    lines += [f"{n},{serial},{n * 37 % 900 + 21}.5,ng/mL,," for n, serial in enumerate(serials, start=first)]
    return ("\n".join(lines) + "\n").encode()


BARE_READINGS = (
    "INSERT INTO results_reading (sample_id, run_id, line, running_number, raw, comparator, value, unit, flag,"
    " analysed_on, read_at) SELECT s.id, %(run)s, w.number, w.number, w.value, '', w.value::numeric, w.unit, '', %(today)s,"
    " roundbook_now() FROM bare_lines w JOIN results_sample s ON s.serial = w.serial",
    "WITH moved AS (UPDATE results_sample s SET state = 'measured', last_seq = last_seq + 1, due_on = %(today)s"
    " FROM bare_lines w WHERE s.serial = w.serial RETURNING s.id, s.last_seq)"
    " INSERT INTO results_samplemove (subject_id, seq, event, from_state, to_state, due_on, pool)"
    " SELECT id, last_seq, 'measure', 'ready', 'measured', %(today)s, 'laboratory' FROM moved",
    "INSERT INTO results_inboxline (at, file_id, line, raw, serial, verdict, sentence, settled_note)"
    " SELECT roundbook_now(), 0, number, serial || ',' || value, serial, 'taken', '', '' FROM bare_lines",
)


def _bare_file(bench: Bench, run: Run, content: bytes) -> int:
    facts = {"run": run.pk, "today": clock.today()}
    tables = ("results_reading", "results_sample", "results_samplemove", "results_inboxline")
    with bare_hands(*tables, by=bench.desk) as owner, owner.transaction():
        owner.execute(
            b"CREATE TEMP TABLE bare_lines (number int, serial text, value text, unit text, flag text, read_at text)"
            b" ON COMMIT DROP"
        )
        with (
            owner.cursor() as cursor,
            cursor.copy(b"COPY bare_lines FROM STDIN (FORMAT csv, HEADER)") as copy,
        ):
            copy.write(content)
        owner.execute(b"ANALYZE bare_lines")
        written = [owner.execute(statement.encode(), facts).rowcount for statement in BARE_READINGS]
        return min(written)
