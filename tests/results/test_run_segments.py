"""Controls in between: only what was measured since the last good ones is held; schemes, checks and repeats."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction

from results.models import BracketedReading, CheckLot, ControlPlan, Reading, Result, Run, Sample
from results.services.authorise import result_release_at_or_above, results_release_below
from results.services.control_plans import control_plan_confirm, control_plan_enter, plan_on
from results.services.runs import run_close, run_control, run_open, run_resolve
from results.services.runs_brackets import controls_next, refused_before
from results.services.runs_controls import run_sentence
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")


@contextmanager
def minutes(n: int) -> Iterator[datetime]:
    with clock.at(NOON + timedelta(minutes=n)) as moment:
        yield moment


def read_after(run: Run, sample: Sample, value: str, *, minute: int, number: int) -> None:
    """The reading of one sample, made at this minute and loaded a minute later."""
    when = (NOON + timedelta(minutes=minute)).isoformat()
    with minutes(minute + 1):
        bench.load(run, [(sample.serial, value, None, None, when)], first=number)


def states(*samples: Sample) -> list[str]:
    return [Sample.objects.get(pk=s.pk).state for s in samples]


def test_h7_all_since_the_last_good_controls_is_held_and_nothing_before_them() -> None:
    # Source: job hazard H7: 3.1 SD at the end holds all since the last good controls.
    early, late, high = (bench.a_sample() for _ in range(3))
    run = bench.an_open_run()
    read_after(run, early, "5", minute=30, number=1)
    with minutes(60):
        run_control(by=bench.technician(), run=run, readings=bench.controls())
    read_after(run, late, "6", minute=90, number=2)
    read_after(run, high, "400", minute=95, number=3)
    with minutes(120):
        run = run_close(by=bench.technician(), run=run, readings=bench.controls(bench.OUT))
        assert run.status == "held"
        assert states(early, late, high) == ["ready_to_authorise", "held", "held"]
        assert list(BracketedReading.objects.values_list("reading__sample_id", "until_seq")) == [
            (early.pk, 4)
        ]
        assert results_release_below(by=bench.lead()) == 1
        with pytest.raises(RoundbookError):
            result_release_at_or_above(by=bench.lead(), sample=high)
        run_resolve(by=bench.technician(), run=run, resolution="Reagent renewed.", second=bench.lead())
        assert states(early, late, high) == ["reported", "repeat", "repeat"]


def test_a_reading_without_a_time_of_its_own_may_be_as_old_as_the_run_but_not_newer_than_its_file() -> None:
    early, unsure = bench.a_sample(), bench.a_sample()
    run = bench.an_open_run()
    with minutes(40):
        bench.load(run, [(early.serial, "5")])
    with minutes(60):
        run_control(by=bench.technician(), run=run, readings=bench.controls())
    with minutes(90):
        bench.load(run, [(unsure.serial, "5")], first=2)
    with minutes(120):
        run_close(by=bench.technician(), run=run, readings=bench.controls(bench.OUT))
    assert states(early, unsure) == ["ready_to_authorise", "held"]


def test_a_reading_close_to_the_controls_counts_to_both_sides() -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    with minutes(60):
        run_control(by=bench.technician(), run=run, readings=bench.controls())
    with minutes(80):
        when = (NOON + timedelta(minutes=50)).isoformat()
        bench.load(run, [(sample.serial, "5", None, None, when)])
    with minutes(120):
        run_close(by=bench.technician(), run=run, readings=bench.controls(bench.OUT))
    assert states(sample) == ["held"]


def test_one_level_in_between_ends_no_bracket() -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    read_after(run, sample, "5", minute=20, number=1)
    with minutes(60):
        run_control(by=bench.technician(), run=run, readings=bench.controls()[:1])
    with minutes(120):
        run_close(by=bench.technician(), run=run, readings=bench.controls(bench.OUT))
    assert states(sample) == ["held"]


def test_the_database_refuses_a_bracket_that_is_not_closed() -> None:
    sample = bench.a_sample()
    run = bench.measured([(sample, "5")], end=bench.OUT)
    reading = Reading.objects.get(sample=sample)
    for until in (2, 4, 9):
        with pytest.raises(DatabaseError), acting(bench.lead()) as frame:
            BracketedReading.objects.create(reading=reading, until_seq=until, at=frame.now)
    assert run.status == "held"
    assert not Result.objects.exists()


def test_repeats_of_a_refused_opening_stay_visible() -> None:
    tries = [
        run_open(by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(bench.OUT))
        for _ in range(2)
    ]  # fmt: skip
    run = bench.an_open_run()
    assert refused_before(run) == tries
    run_close(by=bench.technician(), run=run, readings=bench.controls())
    assert refused_before(bench.an_open_run()) == []


def a_plan(**facts: object) -> ControlPlan:
    plan = ControlPlan(valid_from=clock.today(), **facts)
    return control_plan_confirm(by=bench.lead(), plan=control_plan_enter(by=bench.technician(), plan=plan))


WIDE = (Decimal("90") + Decimal("5.5") * Decimal("1.9"), Decimal("480") - Decimal("22.5") * Decimal("2.4"))


@pytest.mark.parametrize(("definition", "opens"), [("both_beyond_2", "open"), ("range_over_4", "refused")])
def test_the_definition_of_the_range_is_chosen_by_the_scheme(definition: str, opens: str) -> None:
    # Source: both definitions of R-4s in use (standards 5.6): +1.9 and −2.4 SD lie more than 4 SD apart.
    a_plan(range_rule=definition)
    run = run_open(
        by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(WIDE)
    )
    assert run.status == opens


def test_a_scheme_counts_only_when_a_second_person_confirmed_it() -> None:
    plan = control_plan_enter(
        by=bench.technician(), plan=ControlPlan(valid_from=clock.today(), levels=1, checks=1)
    )
    assert plan_on(bench.analyser(), clock.today()).levels == 2
    with pytest.raises(RoundbookError) as refused:
        control_plan_confirm(by=bench.technician(), plan=plan)
    assert refused.value.code == "second_person"
    control_plan_confirm(by=bench.lead(), plan=plan)
    assert plan_on(bench.analyser(), clock.today()).checks == 1
    with pytest.raises(RoundbookError) as refused:
        control_plan_enter(by=bench.lead(), plan=ControlPlan(valid_from=date(2026, 6, 16)))
    assert refused.value.code == "plan_in_the_past"


def a_check(**facts: object) -> CheckLot:
    given: dict[str, object] = {
        "analyser": bench.analyser(), "material": "Check card", "lot": "K1", "expected": "at or above",
        "opened_on": clock.today(), "expires_on": clock.today() + timedelta(days=9),
        "entered_by": bench.technician(), "confirmed_by": bench.lead(),
    }  # fmt: skip
    return CheckLot.objects.create(**(given | facts))


def test_a_pass_fail_check_opens_and_closes_with_the_levels() -> None:
    a_plan(checks=1)
    check = a_check()
    common = {"by": bench.technician(), "readings": bench.controls()}
    with pytest.raises(RoundbookError) as refused:
        run_open(analyser=bench.analyser(), unit="ng/mL", **common)
    assert refused.value.code == "control_missing"
    failed = run_open(analyser=bench.analyser(), unit="ng/mL", checks=[(check, False)], **common)
    assert failed.status == "refused"
    assert "did not pass" in run_sentence(failed)
    run = run_open(analyser=bench.analyser(), unit="ng/mL", checks=[(check, True)], **common)
    assert run.status == "open"
    assert run_close(run=run, **common).status == "held"
    run = run_open(analyser=bench.analyser(), unit="ng/mL", checks=[(check, True)], **common)
    assert run_close(run=run, checks=[(check, True)], **common).status == "in_control"


@pytest.mark.parametrize(
    "facts", [{"confirmed_by": None}, {"expires_on": date(2026, 6, 16)}, {"opened_on": date(2026, 6, 18)}]
)
def test_a_check_lot_that_may_not_be_used_opens_nothing(facts: dict[str, object]) -> None:
    check = a_check(**facts)
    with pytest.raises(RoundbookError) as refused:
        run_open(
            by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(),
            checks=[(check, True)],
        )  # fmt: skip
    assert refused.value.code == "control_unusable"


def test_how_long_until_the_next_controls() -> None:
    run = bench.an_open_run()
    read_after(run, bench.a_sample(), "5", minute=10, number=1)
    left = controls_next(run, NOON + timedelta(minutes=30))
    assert (left.samples, left.minutes) == (99, 210)
    with minutes(60):
        run_control(by=bench.technician(), run=run, readings=bench.controls())
    assert controls_next(run, NOON + timedelta(minutes=60)).samples == 100


def test_three_sd_always_rejects_whatever_a_scheme_says() -> None:
    with pytest.raises(DatabaseError), transaction.atomic():
        a_plan(on_1_3s="warn")
    assert connection.is_usable()
    assert cast.member(cast.LAB_LEAD) == bench.lead()
