"""Readings files: every line answered in words, nothing twice, nothing guessed."""

from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.lab_formats.csv_readings import ReadingsFileError, lines_read
from results.models import InboxLine, Reading, ReadingsFile, Run, Sample
from results.services.readings import (
    line_settle,
    readings_gap_explain,
    readings_load,
    readings_preview,
    refused_csv,
    verdict_counts,
)
from results.services.runs import run_close
from screening.models import Kit
from screening.serials import serial_make
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from tests import factories
from tests import lab_bench as bench
from tools import fixture_readings

pytestmark = pytest.mark.usefixtures("region")


def verdicts(file: ReadingsFile) -> dict[int, str]:
    return dict(InboxLine.objects.filter(file_id=file.pk).values_list("line", "verdict"))


def sentence(file: ReadingsFile, line: int) -> str:
    return InboxLine.objects.get(file_id=file.pk, line=line).sentence


def test_a_good_file_is_taken_whole() -> None:
    samples = [bench.a_sample() for _ in range(3)]
    file = bench.load(
        bench.an_open_run(),
        [(samples[0].serial, "23.4"), (samples[1].serial, "<4"), (samples[2].serial, ">200")],
    )
    assert (file.lines, file.taken) == (3, 3)
    assert set(verdicts(file).values()) == {"taken"}
    stored = [
        (r.comparator, str(r.value.normalize()), r.unit) for r in Reading.objects.order_by("running_number")
    ]
    assert stored == [("", "23.4", "ng/mL"), ("<", "4", "ng/mL"), (">", "2E+2", "ng/mL")]
    assert {s.state for s in Sample.objects.all()} == {"measured"}


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        ("", "reading_blank"), ("---", "reading_dashes"), ("OVER", "reading_word_for_limit"), ("≥200", "reading_comparator"),
        ("NaN", "reading_not_a_number"), ("-3", "reading_negative"), ("clotted", "reading_text"), ("<0", "reading_below_nothing"),
        ("1e3", "reading_text"), ("123456789", "reading_too_large"), ('"12,5"', "reading_decimal_comma"),
    ],
)  # fmt: skip
def test_h12_a_value_that_is_not_a_reading_is_refused_by_name(value: str, verdict: str) -> None:
    # Source: job hazard H12: import ">", "≥", "OVER", blank, "---".
    sample = bench.a_sample()
    file = bench.load(bench.an_open_run(), [(sample.serial, value)])
    sample.refresh_from_db()
    assert (verdicts(file), sample.state, file.taken) == ({2: verdict}, "ready", 0)
    assert sentence(file, 2)
    assert not Reading.objects.exists()


def test_serials_that_are_not_on_the_bench_are_named() -> None:
    sample, kit_out = bench.a_sample(), factories.a_round().kits.get()
    misread = sample.serial[:-1] + ("0" if sample.serial[-1] != "0" else "1")
    rows = [
        (serial_make(77), "5"),
        (misread, "5"),
        (kit_out.serial, "5"),
        (sample.serial, "5"),
        (sample.serial, "500"),
        ("", "5"),
    ]
    file = bench.load(bench.an_open_run(), rows)
    assert verdicts(file) == {
        2: "unknown_serial", 3: "serial_check", 4: "not_returned", 5: "taken", 6: "already_measured", 7: "serial_empty",
    }  # fmt: skip


def test_units_are_refused_by_name() -> None:
    samples = [bench.a_sample() for _ in range(3)]
    file = bench.load(
        bench.an_open_run(),
        [(s.serial, "5", unit) for s, unit in zip(samples, ("µg/g", "mg/L", "ng/ml"), strict=True)],
    )
    assert verdicts(file) == {2: "wrong_unit", 3: "unknown_unit", 4: "taken"}
    assert "µg/g" in sentence(file, 2)
    assert "mg/L" in sentence(file, 3)


def test_times_are_between_the_opening_and_now() -> None:
    samples = [bench.a_sample() for _ in range(4)]
    times = ("2026-06-17T09:00", "2026-06-17T14:00", "yesterday", "2026-06-17T12:00:00")
    file = bench.load(
        bench.an_open_run(), [(s.serial, "5", None, None, t) for s, t in zip(samples, times, strict=True)]
    )
    assert verdicts(file) == {2: "read_before_the_run", 3: "read_in_the_future", 4: "read_at", 5: "taken"}


def test_h30_the_same_file_twice_changes_nothing() -> None:
    # Source: job hazard H30: import twice.
    sample, run = bench.a_sample(), bench.an_open_run()
    first = bench.load(run, [(sample.serial, "5")])
    assert bench.load(run, [(sample.serial, "5")]) == first
    assert (Reading.objects.count(), InboxLine.objects.count(), ReadingsFile.objects.count()) == (1, 1, 1)


def test_a_longer_export_of_the_same_memory_adds_only_what_is_new() -> None:
    samples, run = [bench.a_sample() for _ in range(3)], bench.an_open_run()
    bench.load(run, [("TK", "5"), (samples[0].serial, "5"), (samples[1].serial, "6")])
    longer = bench.load(run, [("TK", "5"), *[(s.serial, str(5 + n)) for n, s in enumerate(samples)]])
    assert verdicts(longer) == {2: "serial_length", 3: "already_stored", 4: "already_stored", 5: "taken"}
    assert Reading.objects.count() == 3


@pytest.mark.parametrize("numbers", [(1, 2, 4, 5), (1, 2, 2, 3), (1, 2, "", 4), (1, 2, 1, 3)])
def test_h4_a_break_in_the_running_numbers_holds_everything_after_it(numbers: tuple[object, ...]) -> None:
    # Source: job hazard H4 and 2.8 exception 11: an inserted or missing number holds the rest of the rack.
    samples = [bench.a_sample() for _ in numbers]
    rows = [(s.serial, "5", None, None, None, n) for s, n in zip(samples, numbers, strict=True)]
    file = bench.load(bench.an_open_run(), rows)
    assert list(verdicts(file).values()) == ["taken", "taken", "sequence_broken", "sequence_broken"]
    assert [s.state for s in Sample.objects.order_by("pk")] == ["measured", "measured", "ready", "ready"]


def test_an_explained_gap_lets_the_rest_in() -> None:
    samples = [bench.a_sample() for _ in range(3)]
    rows = [(s.serial, "5", None, None, None, n) for s, n in zip(samples, (1, 3, 4), strict=True)]
    file = bench.load(bench.an_open_run(), rows)
    assert (
        readings_gap_explain(
            by=bench.technician(), file=file, note="number 2 was a spilled cuvette, rack compared"
        )
        == 2
    )
    assert set(verdicts(file).values()) == {"taken"}
    assert set(Reading.objects.values_list("running_number", flat=True)) == {1, 3, 4}


def test_the_next_file_must_go_on_where_the_last_one_ended() -> None:
    samples, run = [bench.a_sample() for _ in range(3)], bench.an_open_run()
    bench.load(run, [(samples[0].serial, "5")], first=10)
    assert set(verdicts(bench.load(run, [(samples[1].serial, "5")], first=12)).values()) == {
        "sequence_broken"
    }
    assert set(verdicts(bench.load(run, [(samples[1].serial, "5")], first=11)).values()) == {"taken"}


def test_a_flag_asks_for_a_repeat_and_a_second_one_for_a_new_kit() -> None:
    sample, run = bench.a_sample(), bench.an_open_run()
    bench.load(run, [(sample.serial, "", None, "CLOT")])
    sample.refresh_from_db()
    assert sample.state == "repeat"
    bench.load(run, [(sample.serial, "", None, "CLOT")], first=2)
    sample.refresh_from_db()
    sample.round.refresh_from_db()
    assert (sample.state, sample.round.state) == ("not_measurable", "kit_due")
    assert sample.round.moves.order_by("-seq")[0].reason == "flagged_twice", "the letter says why"


def test_flagged_and_then_measured_in_one_file() -> None:
    sample = bench.a_sample()
    bench.load(bench.an_open_run(), [(sample.serial, "900", None, "LOW VOLUME"), (sample.serial, "12")])
    sample.refresh_from_db()
    assert sample.state == "measured"
    assert [m.event for m in sample.moves.order_by("seq")] == ["take_in", "flag", "measure"]


@pytest.mark.parametrize(
    ("age", "verdict", "state"), [(14, "taken", "result_due"), (15, "over_age", "kit_due")]
)
def test_h9_the_limit_day_is_allowed_and_the_next_is_not(age: int, verdict: str, state: str) -> None:
    # Source: ruling R2: age counts calendar days from the earliest day to the day of analysis, limit day allowed.
    sample = bench.a_sample(collected=clock.today() - timedelta(days=age))
    file = bench.load(bench.an_open_run(), [(sample.serial, "5")])
    sample.round.refresh_from_db()
    line = InboxLine.objects.get(file_id=file.pk)
    assert (line.verdict, sample.round.state) == (verdict, state)
    assert line.settled_note == (line.sentence if verdict == "over_age" else ""), (
        "what was acted upon waits for nobody"
    )


def test_an_over_age_kit_asks_for_no_replacement_while_another_can_be_measured() -> None:
    old = bench.a_sample(collected=clock.today() - timedelta(days=15))
    kit = factories.a_kit()
    with acting(bench.lead()):
        Kit.objects.filter(pk=old.kit_id).update(void_on=clock.today(), void_reason="replaced")
        make_move(kit, "assign", round_id=old.round_id, ordinal=2)
        Kit.objects.filter(pk=kit.pk).update(dispatched_on=clock.today())
        make_move(kit, "dispatch")
        make_move(old.round, "reschedule", due_on=clock.today(), pool="laboratory")
        make_move(kit, "return")
        back = factories.Return.objects.create(
            kit=kit, delivery=factories.a_delivery(), arrived_on=clock.today(), collected_earliest=clock.today(),
            collected_latest=clock.today(),
        )  # fmt: skip
        make_move(back, "log", due_on=clock.today(), pool="front_desk")
        make_move(back, "accept")
    bench.load(bench.an_open_run(), [(old.serial, "5")])
    old.refresh_from_db()
    old.round.refresh_from_db()
    assert (old.state, old.round.state) == ("unsuitable", "result_due")


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "readings_header"), (b"number,serial\n", "readings_header"), (b"\xff\xfe\x00", "readings_encoding"),
        (bench.HEADER.replace(",", ";").encode(), "readings_header"),
    ],
)  # fmt: skip
def test_a_file_that_is_not_of_the_format_is_refused_whole(content: bytes, code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        readings_load(by=bench.technician(), run=bench.an_open_run(), name="x.csv", content=content)
    assert refused.value.code == code
    assert not ReadingsFile.objects.exists()


def test_nothing_is_taken_into_a_run_that_is_closed() -> None:
    sample, run = bench.a_sample(), bench.an_open_run()
    run_close(by=bench.technician(), run=run, readings=bench.controls())
    with pytest.raises(RoundbookError) as refused:
        bench.load(run, [(sample.serial, "5")])
    assert refused.value.code == "run_not_open"


def test_refused_lines_can_be_downloaded_and_settled() -> None:
    file = bench.load(bench.an_open_run(), [(serial_make(77), "5"), (bench.a_sample().serial, "5")])
    text = refused_csv(file).decode("utf-8-sig")
    assert serial_make(77) in text
    assert len(text.strip().splitlines()) == 2
    line = InboxLine.objects.get(file_id=file.pk, line=2)
    line_settle(by=bench.technician(), line=line, note="vial of another programme")
    with pytest.raises(RoundbookError):
        line_settle(by=bench.technician(), line=line, note="again")
    assert "vial of another" in InboxLine.objects.get(pk=line.pk).settled_note


def test_a_preview_stores_nothing() -> None:
    sample, run = bench.a_sample(), bench.an_open_run()
    told = readings_preview(by=bench.technician(), run=run, content=bench.a_file([(sample.serial, "5")]))
    assert [one.verdict for one in told] == ["taken"]
    assert not Reading.objects.exists()
    assert not ReadingsFile.objects.exists()


def test_killed_between_the_writes_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    sample, run = bench.a_sample(), bench.an_open_run()
    monkeypatch.setattr("results.services.readings.inbox_write", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        bench.load(run, [(sample.serial, "5")])
    sample.refresh_from_db()
    assert sample.state == "ready"
    assert not Reading.objects.exists()
    assert not ReadingsFile.objects.exists()


def test_ten_thousand_lines_take_about_a_second_of_statements(django_assert_max_num_queries: object) -> None:
    samples = [bench.a_sample() for _ in range(3)]
    rows = [(s.serial, "5") for s in samples] + [(serial_make(n), "5") for n in range(1000, 3000)]
    run = bench.an_open_run()
    with django_assert_max_num_queries(40):
        file = bench.load(run, rows)
    assert verdict_counts(file) == {"taken": 3, "unknown_serial": 2000}


@hypothesis_settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.binary(max_size=300)
    | st.text(max_size=300).map(lambda t: (bench.HEADER + "\n" + t).encode("utf-8", "ignore"))
)
def test_any_bytes_are_lines_or_a_named_refusal(content: bytes) -> None:
    try:
        lines = lines_read(content)
    except ReadingsFileError as error:
        lines = []
        refused = str(error.sentence)
    else:
        refused = "read"
    assert refused
    assert all("\x00" not in line.text for line in lines)


@hypothesis_settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(text=st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=60))
def test_any_line_is_kept_and_answered(text: str) -> None:
    run = Run.objects.filter(status="open").first() or bench.an_open_run()
    content = f"{bench.HEADER}\n{text}\n".encode()
    file = readings_load(by=bench.technician(), run=run, name="x.csv", content=content)
    assert InboxLine.objects.filter(file_id=file.pk).count() == file.lines
    assert not InboxLine.objects.filter(file_id=file.pk, sentence="").exists()


def kits_back(numbers: range) -> None:
    """Kits with the serials of the fixtures, sent, returned and on the bench."""
    for number in numbers:
        round_ = factories.a_round(state="kit_due")
        kit = round_.kits.get()
        sent = clock.today() - timedelta(days=5)
        with acting(bench.lead()):
            Kit.objects.filter(pk=kit.pk).update(serial=serial_make(number), dispatched_on=sent)
            make_move(kit, "dispatch")
            make_move(round_, "kit_sent", due_on=clock.today(), pool="office")
        factories.a_ready_return(round_)


@pytest.mark.parametrize("name", ["good", "bad"])
def test_the_files_for_trying_by_hand_are_those_their_writer_writes(name: str) -> None:
    written = fixture_readings.readings_good() if name == "good" else fixture_readings.readings_bad()
    assert (fixture_readings.FIXTURES / f"readings_{name}.csv").read_bytes() == written


def test_the_files_for_trying_by_hand_are_answered_as_described() -> None:
    kits_back(range(1, 72))
    run = bench.an_open_run()
    good, bad = (
        readings_load(
            by=bench.technician(), run=run, name=name, content=(fixture_readings.FIXTURES / name).read_bytes()
        )
        for name in ("readings_good.csv", "readings_bad.csv")
    )
    assert verdict_counts(good) == {"taken": 40}
    expected = [row[-1] for row in fixture_readings.bad_rows()] + ["sequence_broken"] * 2
    assert list(verdicts(bad).values()) == expected
    assert InboxLine.objects.filter(file_id=bad.pk, sentence="").count() == 0
