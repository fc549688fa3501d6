"""Messages from analysers in the inbox: matched, refused or waiting, in words; twice-safe; corrected and cancelled."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from results.classify import Side
from results.models import InboxLine, InboxMessage, Reading, ReadingsFile, Result, Sample
from results.services.authorise import (
    candidate_for,
    result_release_at_or_above,
    result_release_below,
    results_release_below,
)
from results.services.messages import message_receive, message_settle, messages_retry
from results.services.readings import readings_gap_explain, readings_load
from results.services.runs import run_close
from screening.serials import serial_make
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench
from tests.conftest import NOON
from tools import fixture_readings

pytestmark = pytest.mark.usefixtures("region")
MLLP, LIS1 = InboxMessage.Channel.MLLP, InboxMessage.Channel.LIS1


def take(content: bytes, channel: str = MLLP, trouble: str = "") -> InboxMessage:
    return message_receive(by=bench.technician(), channel=channel, content=content, trouble=trouble)


def closed(run: object) -> None:
    run_close(by=bench.technician(), run=run, readings=bench.controls())  # type: ignore[arg-type]


@pytest.mark.parametrize("channel", [MLLP, LIS1])
def test_a_message_becomes_a_reading_and_a_result(channel: str) -> None:
    low, high = bench.a_sample(), bench.a_sample()
    run = bench.an_open_run()
    for sample, value in ((low, "5"), (high, ">1000")):
        content = (
            bench.oru(bench.obx(sample.serial, value, kind="ST"), control_id=sample.serial)
            if channel == MLLP
            else bench.lis2((sample.serial, value))
        )
        row = take(content, channel)
        assert (row.verdict, row.analyser, bytes(row.content)) == ("matched", run.analyser, content)
    assert list(Reading.objects.order_by("pk").values_list("running_number", "comparator")) == [
        (1, ""),
        (2, ">"),
    ]
    closed(run)
    assert results_release_below(by=bench.lead()) == 1
    assert result_release_at_or_above(by=bench.lead(), sample=high).side == "at_or_above"


def test_h30_the_same_message_twice_changes_only_its_count() -> None:
    sample = bench.a_sample()
    bench.an_open_run()
    content = bench.oru(bench.obx(sample.serial, "5"))
    first, second = take(content), take(content)
    assert (first.pk, second.times, second.verdict) == (second.pk, 2, "matched")
    again = take(bench.oru(bench.obx(sample.serial, "5"), control_id="OTHER"))
    assert again.verdict == "matched"
    assert InboxLine.objects.get(file_id=again.file_id).verdict == "already_stored"
    assert Reading.objects.count() == 1


def test_an_analysers_own_running_numbers_stay_contiguous() -> None:
    # Source: job hazard H4: a missing number holds what follows until list and rack were compared.
    one, two, three = (bench.a_sample() for _ in range(3))
    bench.an_open_run()
    verdicts = [
        take(bench.oru(bench.obx(sample.serial, "5", number=number), control_id=number)).verdict
        for sample, number in ((one, "7"), (two, "8"), (three, "10"))
    ]
    assert verdicts == ["matched", "matched", "waiting"]
    assert Sample.objects.get(pk=three.pk).state == "ready"
    row = InboxMessage.objects.get(control_id="10")
    assert row.file is not None
    assert readings_gap_explain(by=bench.technician(), file=row.file, note="Number 9 was a control.") == 1
    row.refresh_from_db()
    assert row.settled_note == "Number 9 was a control."
    assert Sample.objects.get(pk=three.pk).state == "measured"


def test_without_an_open_run_a_message_waits_and_is_taken_when_there_is_one() -> None:
    sample = bench.a_sample()
    row = take(bench.oru(bench.obx(sample.serial, "5")))
    assert (row.verdict, row.file) == ("waiting", None)
    assert "no open run" in row.sentence
    run = bench.an_open_run()
    assert messages_retry(by=bench.technician(), analyser=run.analyser) == 1
    row.refresh_from_db()
    assert row.verdict == "matched"
    assert Sample.objects.get(pk=sample.pk).state == "measured"
    assert messages_retry(by=bench.technician(), analyser=run.analyser) == 0


def test_a_sender_nobody_knows_waits() -> None:
    row = take(bench.oru(bench.obx(serial_make(5), "5"), sender="Q9"))
    assert row.verdict == "waiting"
    assert "Q9" in row.sentence


@pytest.mark.parametrize(("group", "verdict", "line"), [
    (bench.obx("nonsense", "5"), "refused", "serial_length"),
    (bench.obx(serial_make(4711), "5"), "waiting", "unknown_serial"),
    (None, "refused", "wrong_unit"),
])  # fmt: skip
def test_refused_and_waiting_in_words(group: list[str] | None, verdict: str, line: str) -> None:
    bench.an_open_run()
    row = take(bench.oru(group or bench.obx(bench.a_sample().serial, "5", unit="ug/g", code="27396-1")))
    assert (row.verdict, InboxLine.objects.get(file_id=row.file_id).verdict) == (verdict, line)
    assert row.sentence.endswith(".")
    assert not Reading.objects.exists()


@pytest.mark.parametrize("trouble", ["cut_frame", "too_large", "cut_session", "checksum"])
def test_what_is_not_whole_is_kept_and_refused(trouble: str) -> None:
    row = take(b"half a mess\x00\xff", trouble=trouble)
    assert (row.verdict, bytes(row.content)) == ("refused", b"half a mess\x00\xff")
    assert row.sentence
    settled = message_settle(by=bench.technician(), message=row, note="Cable was loose.")
    assert "Cable was loose" in settled.settled_note
    with pytest.raises(RoundbookError):
        message_settle(by=bench.technician(), message=row, note="Again.")


def test_h12_values_that_are_none_are_refused_by_name() -> None:
    # Source: job hazard H12: ">", "≥", "OVER", blank and dashes are never read as missing or 0.
    bench.an_open_run()
    for value, code in ((">", "reading_text"), (">=200", "reading_comparator"), ("OVER", "reading_word_for_limit"),
                        ("", "reading_blank"), ("---", "reading_dashes"), ("5,2", "reading_decimal_comma")):  # fmt: skip
        row = take(bench.oru(bench.obx(bench.a_sample().serial, value, kind="ST"), control_id=f"V{code}"))
        assert (row.verdict, InboxLine.objects.get(file_id=row.file_id).verdict) == ("refused", code)
    assert not Reading.objects.exists()


def test_a_preliminary_result_measures_nothing() -> None:
    sample = bench.a_sample()
    bench.an_open_run()
    assert take(bench.oru(bench.obx(sample.serial, "5", status="P"))).verdict == "waiting"
    assert Sample.objects.get(pk=sample.pk).state == "ready"


def test_a_value_that_cannot_be_obtained_is_measured_again_and_then_given_up() -> None:
    sample = bench.a_sample()
    bench.an_open_run()
    for control_id, state in (("1", "repeat"), ("2", "not_measurable")):
        later = bench.stamp(NOON + timedelta(minutes=int(control_id)))
        group = bench.obx(sample.serial, "", kind="ST", status="X", note="CLOT", read_at=later)
        assert take(bench.oru(group, control_id=control_id)).verdict == "matched"
        assert Sample.objects.get(pk=sample.pk).state == state
    assert set(Reading.objects.values_list("flag", "value")) == {("CLOT", None)}


@pytest.mark.parametrize(("first", "corrected", "side"), [
    ("50", "400", Side.AT_OR_ABOVE), ("400", "50", Side.AT_OR_ABOVE), ("50", "60", Side.BELOW),
])  # fmt: skip
def test_r5_a_corrected_value_is_kept_beside_the_first_and_hides_no_high_one(
    first: str, corrected: str, side: Side
) -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    take(bench.oru(bench.obx(sample.serial, first)))
    row = take(bench.oru(bench.obx(sample.serial, corrected, status="C"), control_id="C1"))
    assert (row.verdict, InboxLine.objects.get(file_id=row.file_id).verdict) == ("waiting", "corrected")
    closed(run)
    assert results_release_below(by=bench.lead()) == 0
    candidate = candidate_for(sample)
    assert candidate.side is side
    assert candidate.fact.value == max(int(first), int(corrected))
    assert {one.fact.value for one in [candidate.classed, *candidate.others]} == {int(first), int(corrected)}


def test_a_corrected_value_that_comes_first_is_the_first() -> None:
    sample = bench.a_sample()
    bench.an_open_run()
    assert take(bench.oru(bench.obx(sample.serial, "5", status="C"))).verdict == "matched"
    assert Sample.objects.get(pk=sample.pk).state == "measured"


@pytest.mark.parametrize("status", ["X", "D"])
def test_a_result_taken_back_goes_to_a_person(status: str) -> None:
    sample = bench.a_sample()
    run = bench.an_open_run()
    take(bench.oru(bench.obx(sample.serial, "5")))
    row = take(bench.oru(bench.obx(sample.serial, "", kind="ST", status=status), control_id="X1"))
    assert row.verdict == "waiting"
    closed(run)
    assert results_release_below(by=bench.lead()) == 0
    assert [one.code for one in candidate_for(sample).obstacles] == ["line_unsettled"]
    message_settle(by=bench.technician(), message=row, note="The display still shows it.")
    assert results_release_below(by=bench.lead()) == 1


def test_r4_the_analysers_own_verdict_that_disagrees_goes_to_a_person() -> None:
    # Source: ruling R4: where the analyser's yes/no disagrees with ours, a person decides.
    sample = bench.a_sample()
    run = bench.an_open_run()
    take(bench.oru(bench.obx(sample.serial, "5", says="A")))
    closed(run)
    assert results_release_below(by=bench.lead()) == 0
    assert candidate_for(sample).side is Side.NEEDS_PERSON
    result_release_below(by=bench.lead(), sample=sample, reason="Limit on the device was 1.")
    assert Result.objects.get().side == "below"


def test_files_of_messages_and_records_are_loaded_like_any_file() -> None:
    samples = [bench.a_sample() for _ in range(4)]
    run = bench.an_open_run()
    hl7 = (
        b"".join(bench.oru(bench.obx(s.serial, "5"), control_id=s.serial) for s in samples[:2])
        + b"MSH|broken\r"
    )
    file = readings_load(by=bench.technician(), run=run, name="day.hl7", content=hl7)
    assert (file.lines, file.taken) == (3, 2)
    lis2 = bench.lis2(*[(s.serial, "6") for s in samples])
    file = readings_load(by=bench.technician(), run=run, name="day.lis2", content=lis2)
    verdicts = list(
        InboxLine.objects.filter(file_id=file.pk).order_by("line").values_list("verdict", flat=True)
    )
    assert verdicts == ["already_measured", "already_measured", "taken", "taken"]
    assert list(Reading.objects.order_by("pk").values_list("running_number", flat=True)) == [1, 2, 5, 6]
    assert readings_load(by=bench.technician(), run=run, name="again", content=lis2) == file


def test_a_longer_export_of_the_same_results_takes_only_the_new_ones() -> None:
    samples = [bench.a_sample() for _ in range(3)]
    run = bench.an_open_run()
    for count, taken in ((2, 2), (3, 1)):
        content = bench.lis2(*[(s.serial, "6") for s in samples[:count]])
        file = readings_load(by=bench.technician(), run=run, name="memory", content=content)
        assert file.taken == taken
    assert ReadingsFile.objects.count() == 2
    assert Reading.objects.count() == 3


def test_the_pages_of_messages(signed_in: Callable[[str], Client]) -> None:
    client = signed_in(cast.LABORATORY)
    empty = client.get(reverse("results:messages")).content.decode()
    assert "No message of an analyser waits" in empty
    row = take(bench.oru(bench.obx(bench.a_sample().serial, "5")))
    assert "no open run" in client.get(reverse("results:messages")).content.decode()
    page = client.get(reverse("results:message", args=[row.pk])).content.decode()
    assert "OBX|1|NM" in page
    client.post(reverse("results:message-retry", args=[row.pk]))
    client.post(reverse("results:message-settle", args=[row.pk]), {"note": "Measured by hand."})
    assert "Measured by hand" in client.get(reverse("results:messages") + "?all").content.decode()
    assert InboxMessage.objects.get().settled_note.startswith("Measured by hand")


@pytest.mark.parametrize("name", ["readings.hl7", "readings.lis2"])
def test_the_message_files_for_trying_by_hand(name: str) -> None:
    written = fixture_readings.readings_hl7() if name.endswith("hl7") else fixture_readings.readings_lis2()
    assert (fixture_readings.FIXTURES / name).read_bytes() == written
    run = bench.an_open_run()
    file = readings_load(by=bench.technician(), run=run, name=name, content=written)
    assert (file.lines, file.taken) == (3, 0)
    assert set(InboxLine.objects.values_list("verdict", flat=True)) == {"unknown_serial"}
