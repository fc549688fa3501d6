"""A vial measured again may come out first and with the same value; its reading is not the old one over again."""

from datetime import timedelta

import pytest

from results.models import InboxLine, Reading, ReadingsFile, Sample
from results.services.runs import run_resolve
from staff import clock
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")


def _held_and_to_be_measured_again(time: str = "") -> tuple[Sample, str]:
    """A sample whose run ended out of control; returns it and the moment it was read."""
    sample, run = bench.a_sample(), bench.an_open_run()
    read = bench.now_text()
    bench.load(run, [(sample.serial, "<20", None, None, time and read)])
    held = bench.run_close(by=bench.technician(), run=run, readings=bench.controls(bench.OUT))
    run_resolve(by=bench.technician(), run=held, resolution="new reagent", second=bench.lead())
    sample.refresh_from_db()
    assert sample.state == "repeat"
    return sample, read


def _verdicts(file: ReadingsFile) -> list[str]:
    return list(InboxLine.objects.filter(file_id=file.pk).order_by("line").values_list("verdict", flat=True))


def test_the_same_number_and_value_at_another_time_is_a_new_reading() -> None:
    sample, _read = _held_and_to_be_measured_again("timed")
    with clock.at(clock.now() + timedelta(days=1)):
        file = bench.load(bench.an_open_run(), [(sample.serial, "<20", None, None, bench.now_text())])
    sample.refresh_from_db()
    assert (_verdicts(file), sample.state) == (["taken"], "measured")
    assert Reading.objects.filter(sample=sample).count() == 2


def test_an_export_that_still_holds_the_old_reading_adds_only_the_new_one() -> None:
    sample, read = _held_and_to_be_measured_again("timed")
    with clock.at(clock.now() + timedelta(days=1)):
        rows = [(sample.serial, "<20", None, None, when) for when in (read, bench.now_text())]
        file = bench.load(bench.an_open_run(), rows)
    sample.refresh_from_db()
    assert (_verdicts(file), sample.state) == (["already_stored", "taken"], "measured")


def test_a_line_without_a_time_that_looks_like_the_old_reading_waits_for_a_person() -> None:
    sample, _read = _held_and_to_be_measured_again()
    with clock.at(clock.now() + timedelta(days=1)):
        rows = [(sample.serial, "<20"), (bench.a_sample().serial, "7")]
        file = bench.load(bench.an_open_run(), rows)
    line = InboxLine.objects.get(file_id=file.pk, line=2)
    sample.refresh_from_db()
    assert (line.verdict, line.settled_note, sample.state) == ("same_as_before", "", "repeat")
    assert "Send the line with its time" in line.sentence


def test_a_line_without_a_time_is_known_again_once_its_sample_is_measured() -> None:
    sample, run = bench.a_sample(), bench.an_open_run()
    bench.load(run, [(sample.serial, "5")])
    bench.run_close(by=bench.technician(), run=run, readings=bench.controls())
    with clock.at(clock.now() + timedelta(minutes=5)):
        other = bench.an_open_run()
        file = bench.load(other, [(sample.serial, "5"), (bench.a_sample().serial, "6")])
    assert _verdicts(file) == ["already_stored", "taken"]
