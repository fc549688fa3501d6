"""At the bench: scan before opening, positions, parking, first and second entry, and the close of the day."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from results.models import (
    Analyser,
    BenchPlace,
    BenchSteps,
    DayClose,
    InboxLine,
    Reading,
    Run,
    Sample,
    TypedReading,
)
from results.services.bench import (
    bench_capture,
    bench_load,
    bench_park,
    day_close,
    day_sum,
    expiring_first,
    steps_enter,
    steps_for,
)
from results.services.lots import second_person_confirms
from results.services.readings import line_settle
from results.services.runs import run_close
from results.services.typed import reading_type_again
from screening.models import KitModel
from screening.serials import serial_make
from staff import clock
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]


def load(run: Run, sample: Sample, position: int = 1) -> BenchPlace:
    return bench_load(by=bench.technician(), run=run, serial=sample.serial, position=position)


def state(sample: Sample) -> str:
    return Sample.objects.get(pk=sample.pk).state


def test_a_vial_is_scanned_in_read_and_the_position_is_free_again() -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    place = load(run, sample)
    assert state(sample) == "in_run"
    entry = bench_capture(by=bench.technician(), place=place, value="5")
    assert state(sample) == "in_run"
    load(run, bench.a_sample())
    reading_type_again(by=bench.lead(), entry=entry, value="5")
    assert state(sample) == "measured"


def test_the_next_vial_waits_until_the_reading_is_captured_or_parked() -> None:
    one, two = bench.a_sample(), bench.a_sample()
    run = bench.an_open_run()
    place = load(run, one)
    with pytest.raises(RoundbookError) as refused:
        load(run, two)
    assert refused.value.code == "position_taken"
    with pytest.raises(RoundbookError):
        bench_park(by=bench.technician(), place=place, note=" ")
    bench_park(by=bench.technician(), place=place, note="Bubble in the tube.")
    assert state(one) == "ready"
    load(run, two)
    with pytest.raises(RoundbookError) as refused:
        bench_park(by=bench.technician(), place=place, note="Again.")
    assert refused.value.code == "place_ended"


def test_as_many_side_by_side_as_the_analyser_has_positions() -> None:
    Analyser.objects.filter(code="Q1").update(positions=3)
    run = bench.an_open_run()
    samples = [bench.a_sample() for _ in range(4)]
    for position, sample in enumerate(samples[:3], start=1):
        load(run, sample, position)
    with pytest.raises(RoundbookError) as refused:
        load(run, samples[3], 4)
    assert refused.value.code == "position_unknown"
    with pytest.raises(DatabaseError), transaction.atomic():
        BenchPlace.objects.create(
            run=run, sample=samples[3], position=2, loaded_at=clock.now(), loaded_by=bench.lead()
        )


def test_a_reading_that_arrives_by_file_frees_the_position() -> None:
    one, two = bench.a_sample(), bench.a_sample()
    run = bench.an_open_run()
    load(run, one)
    bench.load(run, [(one.serial, "5")])
    load(run, two)
    assert list(BenchPlace.objects.order_by("pk").values_list("state", flat=True)) == ["captured", "loaded"]


@pytest.mark.parametrize(
    ("serial", "code"), [("nonsense", "serial_length"), (serial_make(4712), "not_returned")]
)
def test_what_may_not_be_opened_is_said_before_it_is_opened(serial: str, code: str) -> None:
    run = bench.an_open_run()
    with pytest.raises(RoundbookError) as refused:
        bench_load(by=bench.technician(), run=run, serial=serial, position=1)
    assert refused.value.code == code


def test_h9_a_sample_that_is_too_old_is_not_opened() -> None:
    # Source: job hazard H9 and ruling R2: the limit day itself is allowed.
    Analyser.objects.filter(code="Q1").update(positions=2)
    run = bench.an_open_run()
    load(run, bench.a_sample(collected=clock.today() - timedelta(days=14)))
    with pytest.raises(RoundbookError) as refused:
        load(run, bench.a_sample(collected=clock.today() - timedelta(days=15)), 2)
    assert refused.value.code == "over_age"


def test_what_expires_before_the_next_working_day_comes_first() -> None:
    today = bench.a_sample(collected=clock.today() - timedelta(days=14))
    bench.a_sample(collected=clock.today() - timedelta(days=13))
    assert expiring_first(clock.today()) == [today]
    friday = clock.today() + timedelta(days=2)
    assert len(expiring_first(friday)) == 2


def test_steps_are_walked_only_when_a_second_person_approved_them() -> None:
    model, analyser = KitModel.objects.get(name="Tarn 12"), bench.analyser()
    steps = BenchSteps(
        kit_model=model, analyser=analyser, valid_from=clock.today(), leaflet="Leaflet 3",
        steps="Turn the vial\n\nPut it in\nRead the value",
    )  # fmt: skip
    steps_enter(by=bench.technician(), steps=steps)
    assert steps_for(model, analyser, clock.today()) is None
    with pytest.raises(RoundbookError):
        second_person_confirms(by=bench.technician(), row=steps)
    second_person_confirms(by=bench.lead(), row=steps)
    found = steps_for(model, analyser, clock.today())
    assert found is not None
    assert found.listed == ["Turn the vial", "Put it in", "Read the value"]
    assert steps_for(model, analyser, clock.today() - timedelta(days=1)) is None


def close(memory: int) -> DayClose:
    return day_close(by=bench.technician(), analyser=bench.analyser(), memory_count=memory)


def test_the_day_closes_only_when_everything_is_even() -> None:
    run = bench.an_open_run()
    samples = [bench.a_sample() for _ in range(2)]
    bench.load(run, [(samples[0].serial, "5"), (samples[1].serial, "OVER")])
    codes = []
    for attempt in range(3):
        with pytest.raises(RoundbookError) as refused:
            close(2 if attempt == 1 else 3)
        codes.append((refused.value.code, str(refused.value.sentence)[:24]))
        if attempt == 0:
            run_close(by=bench.technician(), run=run, readings=bench.controls())
        if attempt == 1:
            line_settle(by=bench.technician(), line=InboxLine.objects.get(verdict="reading_word_for_limit"), note="Retyped.")  # fmt: skip
    assert [code for code, _words in codes] == ["run_open", "day_not_even", "day_not_even"]
    assert "memory holds 3" in codes[2][1] or "analyser" in codes[2][1]
    assert day_sum(bench.analyser(), clock.today()).captured == 2
    assert close(2).captured_count == 2
    with pytest.raises(RoundbookError) as refused:
        close(2)
    assert refused.value.code == "day_closed"


def test_a_first_entry_without_its_second_keeps_the_day_open() -> None:
    run = bench.an_open_run()
    bench_capture(by=bench.technician(), place=load(run, bench.a_sample()), value="5")
    run_close(by=bench.technician(), run=run, readings=bench.controls())
    with pytest.raises(RoundbookError) as refused:
        close(0)
    assert refused.value.code == "day_not_even"
    assert "second entry" in str(refused.value.sentence)


def test_a_day_at_the_bench_through_the_pages(signed_in: SignIn) -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    client = signed_in(cast.LABORATORY)
    where = reverse("results:run-samples", args=[run.pk])
    assert sample.serial in client.get(where).content.decode()
    assert client.post(where, {"serial": "nonsense", "position": 1}).status_code == 422
    assert client.post(where, {"serial": sample.serial, "position": 1}).status_code == 302
    page = client.get(where).content.decode()
    assert "No approved steps" in page
    assert sample.person.family_name not in page
    place = BenchPlace.objects.get()
    client.post(
        reverse("results:place-capture", args=[place.pk]),
        {f"p{place.pk}-value": "400", f"p{place.pk}-dilution": "1"},
    )
    entry = TypedReading.objects.get()
    second = signed_in(cast.LAB_LEAD)
    page = second.get(reverse("results:typed")).content.decode()
    assert sample.serial in page
    assert "400" not in page
    second.post(reverse("results:typed"), {"entry": entry.pk, "value": "400"})
    assert Reading.objects.get().value == 400
    assert "open" in second.get(reverse("results:day-close", args=[run.analyser_id])).content.decode()
    run_close(by=bench.technician(), run=run, readings=bench.controls())
    answer = second.post(
        reverse("results:day-close", args=[run.analyser_id]), {"memory_count": 1, "note": "4 °C"}
    )
    assert answer.status_code == 302
    assert DayClose.objects.get().note == "4 °C"
    assert "closed" in second.get(reverse("results:day-close", args=[run.analyser_id])).content.decode()


def test_the_paper_sheet_lists_the_queue(signed_in: SignIn) -> None:
    sample = bench.a_sample()
    page = signed_in(cast.LABORATORY).get(reverse("results:paper")).content.decode()
    assert sample.serial in page
    assert sample.person.family_name not in page


def test_parking_through_the_page_needs_words(signed_in: SignIn) -> None:
    sample = bench.a_sample()
    place = load(bench.an_open_run(), sample)
    client = signed_in(cast.LABORATORY)
    client.post(reverse("results:place-park", args=[place.pk]), {"note": ""})
    assert state(sample) == "in_run"
    client.post(reverse("results:place-park", args=[place.pk]), {"note": "Dropped."})
    assert state(sample) == "ready"
