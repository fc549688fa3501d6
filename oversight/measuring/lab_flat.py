"""Measures whether a laboratory's day follows the work and not the registry: the same day before and after a long past."""

from collections.abc import Sequence
from statistics import median
from time import perf_counter

from oversight.measuring.bench import ROUNDS, Bench, Measured, bare_hands
from oversight.measuring.lab import day_worked, vials_ready
from oversight.measuring.past import OFFSET, past_laid
from results.models import Analyser, CutoffRule, Run
from screening.models import KitModel
from screening.services.intake import delivery_record
from staff import clock
from staff.models import Site

DAY = 500
"""Readings of one day: what a laboratory of the demo's size measures."""
PAST = (
    "INSERT INTO results_sample (id, state, last_seq, pool, close_reason, return_of_id, kit_id, round_id, person_id,"
    " serial, collected_earliest, usable_until) SELECT k.id, 'reported', 4, '', '', k.id, k.id, k.id, r.person_id,"
    " k.serial, b.collected_earliest, b.collected_earliest + 14 FROM screening_kit k JOIN screening_round r ON r.id = k.id"
    " JOIN screening_return b ON b.id = k.id WHERE k.id > %(offset)s",
    "INSERT INTO results_reading (id, sample_id, run_id, line, running_number, raw, comparator, value, unit, flag,"
    " analysed_on, read_at) SELECT id, id, %(run)s, id - %(offset)s + 1000000, id - %(offset)s + 1000000, '20.5', '', 20.5, 'ng/mL', '',"
    " collected_earliest + 3, roundbook_now() - interval '700 days' FROM results_sample WHERE id > %(offset)s",
    "INSERT INTO results_samplemove (subject_id, seq, event, from_state, to_state) SELECT s.id, m.n, m.event, m.source,"
    " m.target FROM results_sample s, (VALUES (1, 'take_in', '', 'ready'), (2, 'measure', 'ready', 'measured'),"
    " (3, 'bracket', 'measured', 'ready_to_authorise'), (4, 'report', 'ready_to_authorise', 'reported'))"
    " AS m(n, event, source, target) WHERE s.id > %(offset)s",
    "INSERT INTO results_result (id, sample_id, round_id, person_id, version, is_current, is_deciding, reading_id, run_id,"
    " raw_value, raw_unit, comparator, kit_model_id, stool_mg, buffer_ml, reported_ug_g, decimals, side, rule_id,"
    " cutoff_ug_g, comparison, sex_used, age_used, exact_differs, analysed_on, authorised_on, authorised_at,"
    " authorised_by_id, reason) SELECT s.id, s.id, s.round_id, s.person_id, 1, true, true, s.id, %(run)s, 20.5, 'ng/mL',"
    " '', %(model)s, %(mg)s, %(ml)s, 4.1, 1, 'below', %(rule)s, %(cutoff)s, '>=', 'female', 60, false,"
    " s.collected_earliest + 3, s.collected_earliest + 4, roundbook_now() - interval '700 days', %(by)s, ''"
    " FROM results_sample s WHERE s.id > %(offset)s",
)
TABLES = ("results_sample", "results_reading", "results_samplemove", "results_result")


def lab_flat(bench: Bench) -> Measured:
    """Load, close and release a day; the ratio is one where a measured past of everybody costs the day nothing."""
    size = max(min(DAY, bench.people // (2 * ROUNDS + 2)), 1)
    serials = vials_ready(2 * ROUNDS * size, bench)
    analyser = Analyser.objects.order_by("pk")[0]
    before = _days(bench, analyser, serials[: ROUNDS * size], first=0)
    site = Site.objects.filter(receives_kits=True)[0]
    past_laid(bench, delivery_record(by=bench.desk, site=site, arrived_on=clock.today()))
    _measured_past(bench)
    after = _days(bench, analyser, serials[ROUNDS * size :], first=ROUNDS)
    return bench.result(
        items=size, seconds=median(after), limit_seconds=median(before), ratio=median(before) / median(after)
    )


def _days(bench: Bench, analyser: Analyser, serials: Sequence[str], *, first: int) -> list[float]:
    """Seconds of each of so many days."""
    size, times = len(serials) // ROUNDS, []
    for n in range(ROUNDS):
        began = perf_counter()
        day_worked(bench, analyser, serials[n * size : (n + 1) * size], first + n)
        times.append(perf_counter() - began)
    return times


def _measured_past(bench: Bench) -> None:
    rule, model = CutoffRule.objects.filter(approved_by__isnull=False)[0], KitModel.objects.order_by("pk")[0]
    run = Run.objects.order_by("pk")[0]
    facts = {
        "offset": OFFSET, "run": run.pk, "by": bench.bench_hand.pk, "rule": rule.pk, "cutoff": rule.cutoff_ug_g,
        "model": model.pk, "mg": model.stool_mg, "ml": model.buffer_ml,
    }  # fmt: skip
    with bare_hands(*TABLES, by=bench.desk) as owner:
        for statement in PAST:
            owner.execute(statement.encode(), facts)
        owner.execute("VACUUM ANALYZE")
