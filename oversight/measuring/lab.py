"""Measures a laboratory's day: a file of readings matched, classed and released, beside bare SQL and an ORM loop."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

import psycopg

from oversight.measuring.bench import ROUNDS, Bench, Measured, bare_hands, bare_load
from oversight.measuring.kits import LARGEST_FILE, kits_back, run_opened
from oversight.measuring.rounds import rounds_out, serials_of
from results.lab_formats.csv_readings import COLUMNS
from results.models import Analyser, CutoffRule, InboxLine, Reading, Result, Run, Sample, Unit
from results.services.authorise import results_release_below
from results.services.readings import readings_load
from results.services.runs import controls_for, run_close
from screening.models import KitModel
from screening.services.rounds import rounds_reported_below
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move

LOOPED = 200
"""Rows of the ORM loop a round; a rate needs no more."""


def lab_day(bench: Bench) -> Measured:
    """Load, close and release, against the same rows written by bare set-based SQL, with the ledgers' triggers and without."""
    size = max(min(LARGEST_FILE, bench.people // (3 * ROUNDS + 1)), 1)
    serials = vials_ready(3 * ROUNDS * size, bench)
    parts = [serials[n : n + size] for n in range(0, len(serials), size)]
    ours_on, bare_on = Analyser.objects.order_by("pk")[:2]
    bare_run = run_opened(bare_on, bench)

    def bare(n: int) -> int:
        with bare_hands("results_result", by=bench.desk) as owner:
            return _bare_day(bench, owner, bare_run, _file(parts[ROUNDS + n], first=1 + n * size), MOVED)

    def untriggered(n: int) -> int:
        m = ROUNDS + n
        with bare_hands(*TABLES, by=bench.desk) as owner:
            return _bare_day(bench, owner, bare_run, _file(parts[ROUNDS + m], first=1 + m * size), PROJECTED)

    return bench.race(lambda n: day_worked(bench, ours_on, parts[n], n), bare, untriggered=untriggered)


def lab_day_loop(bench: Bench) -> Measured:
    """Load, close and release, against one ORM object after the other through the same ledger."""
    size = max(min(LARGEST_FILE, bench.people // (2 * ROUNDS + 2)), 1)
    looped = min(LOOPED, size)
    serials = vials_ready(ROUNDS * (size + looped), bench)
    whole, rest = serials[: ROUNDS * size], serials[ROUNDS * size :]
    ours_on, loop_on = Analyser.objects.order_by("pk")[:2]

    def ours(n: int) -> int:
        return day_worked(bench, ours_on, whole[n * size : (n + 1) * size], n)

    return bench.race(ours, lambda n: _looped_day(bench, loop_on, rest[n * looped : (n + 1) * looped]))


def vials_ready(count: int, bench: Bench) -> list[str]:
    """Serials of so many vials on the bench queue."""
    serials = serials_of(rounds_out(count, by=bench.desk))
    kits_back(serials, bench)
    return list(serials)


def _file(serials: Sequence[str], *, first: int = 1) -> bytes:
    """Readings in ng/mL that are all below the cutoff."""
    lines = [",".join(COLUMNS)]
    lines += [f"{n},{serial},{n * 37 % 70 + 20}.5,ng/mL,," for n, serial in enumerate(serials, start=first)]
    return ("\n".join(lines) + "\n").encode()


def day_worked(bench: Bench, analyser: Analyser, serials: Sequence[str], n: int) -> int:
    """One file loaded, its run closed, its results released; how many were."""
    run = run_opened(analyser, bench)
    readings_load(by=bench.bench_hand, run=run, name=f"day {n}", content=_file(serials))
    targets = [(lot, Decimal(lot.target)) for lot in controls_for(analyser, Unit.NG_ML)]
    run_close(by=bench.bench_hand, run=run, readings=targets)
    return results_release_below(by=bench.bench_hand)


STAGED = "SELECT s.id, s.round_id, s.person_id, s.last_seq, d.last_seq AS round_seq, w.number, w.serial, w.value FROM bare_lines w" \
    " JOIN results_sample s ON s.serial = w.serial JOIN screening_round d ON d.id = s.round_id"  # fmt: skip
_STORED = (
    f"CREATE TEMP TABLE bare_day ON COMMIT DROP AS {STAGED}",
    "ANALYZE bare_day",
    "INSERT INTO results_reading (sample_id, run_id, line, running_number, raw, comparator, value, unit, flag,"
    " analysed_on, read_at) SELECT id, %(run)s, number, number, value, '', value::numeric, 'ng/mL', '', %(today)s,"
    " roundbook_now() FROM bare_day",
    "INSERT INTO results_inboxline (at, file_id, line, raw, serial, verdict, sentence, settled_note)"
    " SELECT roundbook_now(), 0, number, serial || ',' || value, serial, 'taken', '', '' FROM bare_day",
    "INSERT INTO results_samplemove (subject_id, seq, event, from_state, to_state, due_on, pool)"
    " SELECT d.id, d.last_seq + m.n, m.event, m.source, m.target, m.due, m.pool FROM bare_day d, (VALUES"
    " (1, 'measure', 'ready', 'measured', %(today)s::date, 'laboratory'),"
    " (2, 'bracket', 'measured', 'ready_to_authorise', %(today)s::date, 'laboratory'),"
    " (3, 'report', 'ready_to_authorise', 'reported', NULL::date, '')) AS m(n, event, source, target, due, pool)",
    "INSERT INTO results_result (sample_id, round_id, person_id, version, is_current, is_deciding, reading_id, run_id,"
    " raw_value, raw_unit, comparator, kit_model_id, stool_mg, buffer_ml, reported_ug_g, decimals, side, rule_id,"
    " cutoff_ug_g, comparison, sex_used, age_used, exact_differs, analysed_on, authorised_on, authorised_at,"
    " authorised_by_id, reason) SELECT d.id, d.round_id, d.person_id, 1, true, true, r.id, %(run)s, r.value, r.unit, '',"
    " %(model)s, %(mg)s, %(ml)s, round(r.value * %(ml)s / %(mg)s, 1), 1,"
    " CASE WHEN r.value * %(ml)s / %(mg)s >= %(cutoff)s THEN 'at_or_above' ELSE 'below' END, %(rule)s, %(cutoff)s, '>=',"
    " 'female', 60, false, %(today)s, %(today)s, roundbook_now(), %(by)s, ''"
    " FROM bare_day d JOIN results_reading r ON r.sample_id = d.id AND r.run_id = %(run)s",
    "INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, reason)"
    " SELECT round_id, round_seq + 1, 'below', 'result_due', 'closed', 'below' FROM bare_day",
)
_DATED = "UPDATE screening_person p SET next_due_on = %(today)s::date + 730 FROM bare_day d WHERE p.id = d.person_id"
MOVED = (*_STORED, _DATED)
"""With the triggers, which bring samples and rounds to where the moves lead."""
PROJECTED = (
    *_STORED,
    "UPDATE results_sample s SET state = 'reported', last_seq = s.last_seq + 3, due_on = NULL, pool = ''"
    " FROM bare_day d WHERE s.id = d.id",
    "UPDATE screening_round r SET state = 'closed', close_reason = 'below', closed_at = roundbook_now(),"
    " last_seq = r.last_seq + 1, due_on = NULL, pool = '' FROM bare_day d WHERE r.id = d.round_id",
    _DATED,
)
"""Without them: what they do is written by hand."""
TABLES = (
    "results_reading", "results_inboxline", "results_sample", "results_samplemove", "results_result", "screening_round",
    "screening_roundmove", "screening_person",
)  # fmt: skip


def _bare_day(
    bench: Bench, owner: psycopg.Connection[Any], run: Run, content: bytes, statements: Sequence[str]
) -> int:
    rule, model = CutoffRule.objects.filter(approved_by__isnull=False)[0], KitModel.objects.order_by("pk")[0]
    facts = {
        "run": run.pk, "today": clock.today(), "by": bench.bench_hand.pk, "rule": rule.pk, "cutoff": rule.cutoff_ug_g,
        "model": model.pk, "mg": model.stool_mg, "ml": model.buffer_ml,
    }  # fmt: skip
    with owner.transaction():
        owner.execute(
            "SELECT set_config('roundbook.actor', %s, true), set_config('roundbook.now', %s, true)",
            [str(bench.desk.pk), clock.now().isoformat()],
        )
        bare_load(owner, content)
        written = [owner.execute(statement.encode(), facts).rowcount for statement in statements]
        return written[-1]


def _looped_day(bench: Bench, analyser: Analyser, serials: Sequence[str]) -> int:
    """What a program would do that takes one row after the other: fetch, create, move, release."""
    by, run = bench.bench_hand, run_opened(analyser, bench)
    today, model = clock.today(), KitModel.objects.order_by("pk")[0]
    rule = CutoffRule.objects.filter(approved_by__isnull=False)[0]
    for number, serial in enumerate(serials, start=1):
        with acting(by) as frame:
            sample = Sample.objects.get(serial=serial)
            Reading.objects.create(
                sample=sample, run=run, line=number, running_number=number, raw="20.5", value=Decimal("20.5"),
                unit=Unit.NG_ML, analysed_on=today, read_at=frame.now,
            )  # fmt: skip
            make_move(sample, "measure", due_on=today, pool="laboratory")
            InboxLine.objects.create(
                at=frame.now,
                file_id=0,
                line=number,
                raw=serial,
                serial=serial,
                verdict="taken",
                sentence="Taken.",
            )
    targets = [(lot, Decimal(lot.target)) for lot in controls_for(analyser, Unit.NG_ML)]
    run_close(by=by, run=run, readings=targets)
    for reading in Reading.objects.filter(run=run).select_related("sample__round"):
        with acting(by) as frame:
            Result.objects.create(
                sample=reading.sample, round=reading.sample.round, person_id=reading.sample.person_id, reading=reading,
                run=run, raw_value=Decimal("20.5"), raw_unit=Unit.NG_ML, kit_model=model, stool_mg=model.stool_mg,
                buffer_ml=model.buffer_ml, reported_ug_g=Decimal("4.1"), decimals=1, side="below", rule=rule,
                cutoff_ug_g=rule.cutoff_ug_g, comparison=">=", sex_used="female", age_used=60, analysed_on=today,
                authorised_on=today, authorised_at=frame.now, authorised_by=by,
            )  # fmt: skip
            make_move(reading.sample, "report")
            rounds_reported_below(by=by, rows=[(reading.sample.round_id, today)])
    return len(serials)
