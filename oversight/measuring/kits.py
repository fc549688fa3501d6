"""Measures a readings file."""

from collections.abc import Sequence
from datetime import timedelta
from decimal import Decimal

from django.db import connection

from oversight.measuring.bench import ROUNDS, Bench, Measured, bare_hands, bare_load
from oversight.measuring.rounds import rounds_out, serials_of
from results.lab_formats.csv_readings import COLUMNS
from results.models import Analyser, Run, Unit
from results.services.readings import readings_load
from results.services.runs import controls_for, run_open
from results.services.samples import samples_take_in
from screening.services.intake import delivery_record, returns_log_many
from staff import clock
from staff.models import Site

LOGGED_AT_ONCE = 500
LARGEST_FILE = 10_000


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
        bare_load(owner, content)
        written = [owner.execute(statement.encode(), facts).rowcount for statement in BARE_READINGS]
        return min(written)
