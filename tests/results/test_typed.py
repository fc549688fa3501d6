"""Typed readings: twice, blind, by two people; different entries are kept apart; no typist releases (job 2.8-12, R14)."""

from datetime import timedelta

import pytest
from django.db import DatabaseError, transaction

from results.models import Reading, Sample, TypedReading
from results.services.authorise import (
    candidate_for,
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_retest,
)
from results.services.bench import dilution_asked
from results.services.runs import run_close
from results.services.typed import reading_type, reading_type_again, typed_waiting
from screening.models import Return, ScreeningPolicy
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from tests import cast
from tests import lab_bench as bench
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")


def third() -> object:
    return cast.member("pell")


def typed(sample: Sample, first: str, second: str, *, flag: str = "") -> TypedReading:
    entry = reading_type(
        by=bench.technician(), run=bench.Run.objects.get(), serial=sample.serial, value=first, flag=flag
    )
    return reading_type_again(by=bench.lead(), entry=entry, value=second, flag=flag)


def test_two_equal_entries_become_a_reading_that_a_third_person_releases() -> None:
    low, high = bench.a_sample(), bench.a_sample()
    run = bench.an_open_run()
    assert typed(low, "5", "5.0").state == "agreed"
    assert typed(high, "> 1000", ">1000").state == "agreed"
    assert set(Reading.objects.values_list("file", "running_number")) == {(None, 1), (None, 2)}
    run_close(by=third(), run=run, readings=bench.controls())
    assert results_release_below(by=third()) == 0
    for typist in (bench.technician(), bench.lead()):
        with pytest.raises(NotAllowed):
            result_release_at_or_above(by=typist, sample=high)
        with pytest.raises(NotAllowed):
            result_release_below(by=typist, sample=low, reason="Looked at.")
    assert result_release_at_or_above(by=third(), sample=high).side == "at_or_above"
    assert result_release_below(by=third(), sample=low, reason="Looked at the print-out.").side == "below"


def test_different_entries_measure_nothing_and_are_typed_anew() -> None:
    sample = bench.a_sample()
    bench.an_open_run()
    assert typed(sample, "50", "500").state == "differs"
    assert Sample.objects.get(pk=sample.pk).state == "ready"
    assert not Reading.objects.exists()
    assert typed(sample, "500", "500").state == "agreed"
    assert TypedReading.objects.count() == 2


def test_the_second_entry_is_anothers_and_blind() -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    entry = reading_type(by=bench.technician(), run=run, serial=sample.serial, value="5")
    assert typed_waiting(by=bench.technician()) == []
    assert typed_waiting(by=bench.lead()) == [entry]
    with pytest.raises(NotAllowed):
        reading_type_again(by=bench.technician(), entry=entry, value="5")
    with pytest.raises(RoundbookError):
        reading_type(by=bench.lead(), run=run, serial=sample.serial, value="6")
    with pytest.raises(DatabaseError), transaction.atomic():
        TypedReading.objects.filter(pk=entry.pk).update(
            again_by=bench.technician(), again_at=clock.now(), state="differs"
        )


@pytest.mark.parametrize(("value", "code"), [
    ("", "reading_blank"), ("5,1", "reading_decimal_comma"), ("OVER", "reading_word_for_limit"),
])  # fmt: skip
def test_what_could_not_be_taken_is_refused_at_the_first_entry(value: str, code: str) -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    with pytest.raises(RoundbookError) as refused:
        reading_type(by=bench.technician(), run=run, serial=sample.serial, value=value)
    assert refused.value.code == code
    assert not TypedReading.objects.exists()


def test_a_flag_is_typed_twice_too() -> None:
    sample = bench.a_sample()
    bench.an_open_run()
    assert typed(sample, "", "", flag="CLOT").state == "agreed"
    assert Sample.objects.get(pk=sample.pk).state == "repeat"


def test_h11_a_diluted_reading_counts_times_its_dilution_and_the_higher_one_stands() -> None:
    # Source: job hazard H11 and 2.8-6: a huge amount reads low; diluted 1 to 10, the higher reading stands.
    sample = bench.a_sample()
    Return.objects.filter(pk=sample.return_of_id).update(remark="visible_blood")
    sample = Sample.objects.get(pk=sample.pk)
    assert dilution_asked(sample)
    assert not dilution_asked(bench.a_sample())
    first = bench.measured([(sample, "50")])
    sample_retest(by=bench.lead(), sample=sample, reason="Blood seen: dilute.")
    run = bench.an_open_run()
    entry = reading_type(by=bench.technician(), run=run, serial=sample.serial, value="80", dilution=10)
    reading_type_again(by=bench.lead(), entry=entry, value="80")
    run_close(by=third(), run=run, readings=bench.controls())
    candidate = candidate_for(sample)
    assert candidate.side.value == "at_or_above"
    assert candidate.fact.value == 800
    assert result_release_at_or_above(by=third(), sample=sample).reported_ug_g == 160
    assert first.status == "in_control"
    with pytest.raises(RoundbookError):
        reading_type(by=bench.technician(), run=run, serial=sample.serial, value="80", dilution=0)


def alone(value: str, minutes: int, *, one_desk: bool = True, again: str = "") -> TypedReading:
    """One person types a value and, so many minutes later, again."""
    ScreeningPolicy.objects.update(one_desk=one_desk)
    sample = bench.a_sample()
    run = bench.an_open_run()
    entry = reading_type(by=bench.technician(), run=run, serial=sample.serial, value=value)
    with clock.at(NOON + timedelta(minutes=minutes)):
        listed = entry in typed_waiting(by=bench.technician())
        made = reading_type_again(by=bench.technician(), entry=entry, value=again or value)
        assert listed
        run_close(by=bench.technician(), run=run, readings=bench.controls())
    return made


def test_r14_a_clinic_of_one_types_a_reading_below_again_after_half_an_hour_and_releases_it() -> None:
    # Source: ruling R14: blind and shuffled, by the same person after 30 minutes.
    entry = alone("5", 30)
    assert (entry.state, entry.again_by) == ("agreed", bench.technician())
    with clock.at(NOON + timedelta(minutes=31)):
        assert results_release_below(by=bench.technician()) == 0, "never in one go"
        result = result_release_below(by=bench.technician(), sample=entry.sample, reason="Typed twice.")
    assert result.side == "below"


@pytest.mark.parametrize(("value", "minutes", "one_desk"), [
    ("5", 29, True), ("5", 45, False), ("100", 45, True), (">1000", 45, True), ("99.75", 45, True), ("<150", 45, True),
])  # fmt: skip
def test_r14_not_sooner_not_elsewhere_and_never_at_or_above(value: str, minutes: int, one_desk: bool) -> None:
    with pytest.raises(NotAllowed):
        alone(value, minutes, one_desk=one_desk)
    assert not Reading.objects.exists()
    assert typed_waiting(by=bench.lead()) == [TypedReading.objects.get()], "somebody else may"


def test_r14_what_is_typed_differently_the_second_time_is_no_reading() -> None:
    assert alone("5", 45, again="6").state == "differs"
    assert not Reading.objects.exists()
