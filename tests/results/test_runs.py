"""Samples come to the bench; runs open, close and are held by their controls."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection

from results.models import ControlLot, Run, Sample, SampleTodo
from results.services.authorise import result_release_below, results_release_below
from results.services.runs import run_close, run_control, run_open, run_resolve
from results.services.runs_controls import run_sentence
from results.services.samples import samples_take_in
from results.tasks import sweep
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.ledger.moves import make_move
from tests import cast, factories
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")


def test_a_ready_return_becomes_a_sample_due_before_it_is_too_old() -> None:
    collected = clock.today() - timedelta(days=3)
    back = factories.a_ready_return(collected=collected)
    assert sweep() == 1
    sample = Sample.objects.get(return_of=back)
    assert (sample.state, sample.pool, sample.serial) == ("ready", "laboratory", back.kit.serial)
    assert sample.usable_until == collected + timedelta(days=14)
    assert sample.due_on == sample.usable_until - timedelta(days=2)
    assert not SampleTodo.objects.exists()
    assert sweep() == 0


def test_an_old_sample_is_due_tomorrow() -> None:
    sample = bench.a_sample(collected=clock.today() - timedelta(days=13))
    assert sample.due_on == clock.today() + timedelta(days=1)


def test_an_undone_scan_takes_the_sample_back_and_a_new_scan_brings_it_again() -> None:
    sample = bench.a_sample()
    back, desk = sample.return_of, cast.member(cast.FRONT_DESK)
    with acting(desk):
        make_move(back, "undo")
        make_move(back.kit, "return_undone")
        make_move(sample.round, "kit_back_undone", due_on=clock.today(), pool="office")
    samples_take_in(by=bench.technician())
    sample.refresh_from_db()
    assert sample.state == "recalled"
    again = factories.a_ready_return(sample.round, collected=clock.today() - timedelta(days=5))
    samples_take_in(by=bench.technician())
    sample.refresh_from_db()
    assert (sample.state, sample.return_of) == ("ready", again)
    assert sample.collected_earliest == again.collected_earliest


def test_a_run_opens_on_good_controls_and_only_once() -> None:
    run = bench.an_open_run()
    assert [(r.in_control, r.position) for r in run.control_readings.all()] == [
        (True, "start"),
        (True, "start"),
    ]
    with pytest.raises(RoundbookError) as refused:
        bench.an_open_run()
    assert refused.value.code == "run_already_open"
    assert bench.an_open_run("N1").status == "open"


def test_only_the_laboratory_opens_a_run() -> None:
    with pytest.raises(NotAllowed):
        run_open(
            by=cast.member(cast.FRONT_DESK),
            analyser=bench.analyser(),
            unit="ng/mL",
            readings=bench.controls(),
        )


def test_controls_out_refuse_the_run_and_name_the_rule() -> None:
    # Source: Westgard et al., Clin Chem 1981;27:493-501: 1-3s rejects a run.
    run = run_open(
        by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(bench.OUT)
    )
    assert run.status == "refused"
    assert "1-3s" in run.resolution
    assert "1-3s" in run_sentence(run)
    assert run.control_readings.count() == 2
    assert bench.an_open_run().nth == 2


def test_h2_the_control_read_in_the_other_unit_refuses_the_run_and_says_so() -> None:
    # Source: job hazard H2; µg/g = ng/mL × buffer ÷ mass (factor 0.2 for the demo kit model).
    shown_in_ug_g = [Decimal("18.1"), Decimal("95.6")]
    run = run_open(
        by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(shown_in_ug_g)
    )
    assert run.status == "refused"
    assert "µg/g" in run_sentence(run)


def test_a_unit_other_than_that_of_the_target_is_refused() -> None:
    with pytest.raises(RoundbookError) as refused:
        run_open(by=bench.technician(), analyser=bench.analyser(), unit="ug/g", readings=bench.controls())
    assert refused.value.code == "control_unusable"
    assert not Run.objects.exists()


@pytest.mark.parametrize(
    "facts", [{"expires_on": "2026-06-16"}, {"confirmed_by": None}, {"opened_on": "2026-06-18"}]
)
def test_h8_a_lot_that_may_not_be_used_opens_nothing(facts: dict[str, object]) -> None:
    ControlLot.objects.filter(analyser__code="Q1", level=2).update(**facts)
    with pytest.raises(RoundbookError) as refused:
        run_open(by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls())
    assert refused.value.code == "control_unusable"


def test_h8_the_lot_expires_after_its_day() -> None:
    ControlLot.objects.filter(analyser__code="Q1").update(expires_on=clock.today())
    assert bench.an_open_run().status == "open"


def test_a_missing_level_opens_nothing() -> None:
    with pytest.raises(RoundbookError) as refused:
        run_open(
            by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls()[:1]
        )
    assert refused.value.code == "control_missing"


def test_closing_in_control_frees_the_samples() -> None:
    sample = bench.a_sample()
    run = bench.measured([(sample, "10")])
    sample.refresh_from_db()
    assert (run.status, sample.state) == ("in_control", "ready_to_authorise")


@pytest.mark.parametrize("end", [bench.OUT, bench.GOOD[:1], ()])
def test_h7_controls_out_or_missing_at_the_end_hold_everything(end: tuple[Decimal, ...]) -> None:
    # Source: job hazard H7: control 3.1 SD off at the end, all since the last good one held.
    samples = [bench.a_sample() for _ in range(3)]
    run = bench.measured([(s, v) for s, v in zip(samples, ("0", "900", "99.9"), strict=True)], end=end)
    assert run.status == "held"
    assert run_sentence(run)
    assert {s.state for s in Sample.objects.all()} == {"held"}
    assert results_release_below(by=bench.lead()) == 0


def test_h7_an_expired_lot_at_the_end_holds() -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    bench.load(run, [(sample.serial, "10")])
    ControlLot.objects.filter(analyser__code="Q1").update(expires_on=clock.today() - timedelta(days=1))
    run = run_close(by=bench.technician(), run=run, readings=bench.controls())
    assert run.status == "held"
    assert "lot" in run_sentence(run)


def test_controls_in_between_that_are_out_end_the_run_held() -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    run_control(by=bench.technician(), run=run, readings=bench.controls()[:1])
    bench.load(run, [(sample.serial, "10")])
    run = run_control(by=bench.technician(), run=run, readings=bench.controls(bench.OUT))
    sample.refresh_from_db()
    assert (run.status, sample.state) == ("held", "held")
    with pytest.raises(IllegalMove):
        run_close(by=bench.technician(), run=run, readings=bench.controls())


def test_a_held_run_needs_a_second_person_and_words() -> None:
    sample = bench.a_sample()
    run = bench.measured([(sample, "10")], end=bench.OUT)
    for second, words in ((bench.technician(), "new lot"), (bench.lead(), " ")):
        with pytest.raises(RoundbookError):
            run_resolve(by=bench.technician(), run=run, resolution=words, second=second)
    run_resolve(by=bench.technician(), run=run, resolution="control was bubbly", second=bench.lead())
    run.refresh_from_db()
    sample.refresh_from_db()
    assert (run.status, sample.state) == ("held", "repeat")
    with pytest.raises(IllegalMove):
        run_resolve(by=bench.technician(), run=run, resolution="again", second=bench.lead())


def test_a_held_run_may_be_resolved_with_a_justification() -> None:
    sample = bench.a_sample()
    run = bench.measured([(sample, "10")], end=bench.OUT)
    run_resolve(
        by=bench.technician(),
        run=run,
        resolution="a second vial of the control was in",
        second=bench.lead(),
        retest=False,
    )
    sample.refresh_from_db()
    assert sample.state == "ready_to_authorise"
    assert results_release_below(by=bench.lead()) == 0, "a person reads the reason first"
    reason = "the second control vial read well beside it"
    assert result_release_below(by=bench.lead(), sample=sample, reason=reason).side == "below"


def test_the_database_refuses_a_result_of_a_run_that_is_not_in_control() -> None:
    sample = bench.a_sample()
    bench.measured([(sample, "10")])
    Run.objects.update(status="held")
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_trigger WHERE tgname = 'result_has_a_run_in_control'")
        assert cursor.fetchone() == (1,)
    from results.services import authorise_facts

    good = authorise_facts.GOOD_RUNS
    authorise_facts.GOOD_RUNS = good | {"held"}
    try:
        with pytest.raises(DatabaseError, match="no controls in control before and after"):
            results_release_below(by=bench.lead())
    finally:
        authorise_facts.GOOD_RUNS = good
