"""LIS2-A2 records and LIS1-A frames: published checksums, an independent codec, and the receiving side of the line."""

import pytest
from astm import codec
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.lab_formats.lis1_frames import Receiver, Session, checksum, frames
from results.lab_formats.lis2_records import message_read, messages_split
from results.lab_formats.observations import MessageError, Observation, Status

ENQ, ACK, NAK, EOT = b"\x05", b"\x06", b"\x15", b"\x04"
# Source: CLSI LIS2-A2 / ASTM E1394 records with their frame checksums: standards 8.4 (checksums calculated there).
RECORDS = [
    (r"H|\^&|||ANALYSER^1|||||||P|LIS2-A2|20261125090000", "69"),
    ("P|1", "3F"),
    ("O|1|KIT2026000123||^^^FHB|R||20261124", "CD"),
    ("R|1|^^^FHB|23.4|ug/g||A||F||||20261125091500", "03"),
    ("L|1|N", "08"),
]
TEXT = b"".join(record.encode() + b"\r" for record, _ in RECORDS)


@pytest.mark.parametrize(("number", "record", "digits"), [(n, r, c) for n, (r, c) in enumerate(RECORDS, 1)])
def test_published_checksums(number: int, record: str, digits: str) -> None:
    body = f"{number}{record}\r\x03".encode()
    assert checksum(body) == digits.encode()
    assert codec.make_checksum(body) == digits.encode()


def test_the_frames_are_read_by_an_independent_codec() -> None:
    made = frames(TEXT)
    assert [frame[1:2] for frame in made] == [b"1", b"2", b"3", b"4", b"5"]
    for frame, (record, digits) in zip(made, RECORDS, strict=True):
        number, decoded, seen = codec.decode_message(frame, "utf-8")
        assert seen == digits
        assert decoded[0][0] == record[0]
        assert number == int(frame[1:2])


def test_the_published_message() -> None:
    message = message_read(TEXT)
    assert message.sender == "ANALYSER"
    (one,) = message.observations
    assert (one.specimen, one.value, one.unit, one.status, one.says, one.read_at) == (
        "KIT2026000123", "23.4", "ug/g", Status.FINAL, True, "2026-11-25T09:15:00",
    )  # fmt: skip
    fields = codec.decode_record(RECORDS[3][0].encode(), "utf-8")
    assert (fields[3], fields[4], fields[8]) == (one.value, one.unit, "F")


def with_result(record: str, *more: str) -> Observation:
    rows = [RECORDS[0][0], "P|1", "O|1|KIT1|17|^^^FHB|R", record, *more, "L|1|N"]
    (found,) = message_read(("\r".join(rows) + "\r").encode()).observations
    return found


@pytest.mark.parametrize(("record", "value", "flag", "status", "says"), [
    ("R|1|^^^FHB|<4|ug/g||<||F", "<4", "", Status.FINAL, None),
    ("R|1|^^^FHB|>200|ug/g||>||F", ">200", "", Status.FINAL, True),
    ("R|1|^^^FHB|3.1|ug/g||N||C", "3.1", "", Status.CORRECTED, False),
    ("R|1|^^^FHB|23.4|ug/g||PROZONE||F", "23.4", "PROZONE", Status.FINAL, None),
    ("R|1|^^^FHB||||||X", "", "cannot", Status.CANNOT, None),
    ("R|1|^^^27396-1|23.4|ug/g||H||P", "23.4", "", Status.PRELIMINARY, True),
])  # fmt: skip
def test_values_flags_and_states(
    record: str, value: str, flag: str, status: Status, says: bool | None
) -> None:
    one = with_result(record)
    assert (one.error, one.value, one.flag, one.status, one.says) == (None, value, flag, status, says)
    assert (one.specimen, one.number) == ("KIT1", "17")


def test_a_comment_tells_why_there_is_no_value() -> None:
    assert with_result("R|1|^^^FHB||||||X", "C|1|I|LOW VOLUME|I").flag == "LOW VOLUME"


@pytest.mark.parametrize(("record", "code"), [
    ("R|1|^^^CRP|5|mg/L||||F", "other_test"), ("R|1|^^^FHB|-|ug/g||||F", "qualitative_only"),
    ("R|1|^^^FHB|200|ug/g||>||F", "limit_flag_disagrees"), ("R|1|^^^FHB|5|ug/g||||Q", "status_unknown"),
    ("R|1|^^^FHB|5|ug/g||||F||||soon", "read_at"),
])  # fmt: skip
def test_a_result_is_refused_by_name(record: str, code: str) -> None:
    error = with_result(record).error
    assert error is not None
    assert error.code == code


@pytest.mark.parametrize(("content", "code"), [
    (b"", "not_lis2"), (b"P|1\r", "not_lis2"), (b"H\r", "not_lis2"), (b"H||||\r", "delimiters"),
    (TEXT.replace(b"LIS2-A2", b"1"), "message_version"), (TEXT.replace(b"|P|LIS2", b"|D|LIS2"), "not_production"),
    (TEXT.replace(b"L|1|N\r", b""), "no_end"), (TEXT.replace(b"R|1", b"Q|1"), "query"),
    (TEXT.replace(b"R|1", b"M|1"), "no_results"), (TEXT.replace(b"23.4", b"\xff"), "readings_encoding"),
])  # fmt: skip
def test_a_message_is_refused_by_name(content: bytes, code: str) -> None:
    with pytest.raises(MessageError) as refused:
        message_read(content)
    assert refused.value.code == code


def test_several_messages_in_one_session() -> None:
    assert [len(message_read(part).observations) for part in messages_split(TEXT + TEXT)] == [1, 1]


def talk(*parts: bytes) -> tuple[bytes, list[Session]]:
    receiver, answers, ended = Receiver(), b"", []
    for part in parts:
        answer, sessions = receiver.feed(part)
        answers += answer
        ended += sessions
    return answers, ended + receiver.close()


def test_a_session_is_acknowledged_frame_by_frame() -> None:
    answers, ended = talk(ENQ, *frames(TEXT), EOT)
    assert answers == ACK * 6
    assert ended == [Session(TEXT)]


def test_a_long_record_is_split_and_joined_and_numbers_wrap() -> None:
    long = b"H|" + b"x" * 5_000 + b"\r"
    made = frames(long, size=240)
    assert len(made) > 16
    assert made[0][-5] == 0x17
    assert talk(ENQ, *made, EOT)[1] == [Session(long)]
    every_byte = ENQ + b"".join(made) + EOT
    assert talk(*[every_byte[n : n + 1] for n in range(len(every_byte))])[1] == [Session(long)]


def test_a_damaged_frame_is_asked_for_again() -> None:
    first, *rest = frames(TEXT)
    damaged = first[:8] + b"?" + first[9:]
    answers, ended = talk(ENQ, damaged, first, *rest, EOT)
    assert answers == ACK + NAK + ACK * 5
    assert ended == [Session(TEXT)]


def test_a_frame_sent_twice_counts_once() -> None:
    made = frames(TEXT)
    answers, ended = talk(ENQ, made[0], made[0], *made[1:], EOT)
    assert answers == ACK * 7
    assert ended == [Session(TEXT)]


def test_what_is_not_whole_says_why_and_is_kept() -> None:
    made = frames(TEXT)
    assert talk(ENQ, *made[:3])[1] == [
        Session(b"".join(r.encode() + b"\r" for r, _ in RECORDS[:3]), "cut_session")
    ]
    assert talk(ENQ, made[0], made[1][:5])[1][0].trouble == "cut_frame"
    bad = made[1][:4] + b"?" + made[1][5:]
    answers, ended = talk(ENQ, made[0], *[bad] * 6, EOT)
    assert answers == ACK * 2 + NAK * 6
    assert ended[0].trouble == "checksum"
    assert talk(ENQ, made[0], *[made[2]] * 6, EOT)[1][0].trouble == "frame_number"
    assert talk(*made, EOT)[1][0].trouble == "no_enquiry"
    assert [s.trouble for s in talk(ENQ, made[0], ENQ, *made, EOT)[1]] == ["cut_session", ""]


def test_a_line_that_goes_down_with_nothing_unkept_leaves_nothing() -> None:
    assert talk(ENQ)[1] == []
    receiver, made = Receiver(keep=lambda content: True), frames(TEXT)
    receiver.feed(ENQ + b"".join(made))
    assert receiver.close() == [], "stored to its last record; only the end of the session was not heard"
    receiver.feed(ENQ + made[0])
    assert [s.trouble for s in receiver.close()] == ["cut_session"]


def test_a_message_is_stored_before_its_last_frame_is_acknowledged() -> None:
    stored: list[bytes] = []
    willing = iter([False, True])

    def keep(content: bytes) -> bool:
        if not next(willing):
            return False
        stored.append(content)
        return True

    receiver, made = Receiver(keep=keep), frames(TEXT)
    answers = receiver.feed(ENQ + b"".join(made[:-1]))[0]
    assert (answers, stored) == (ACK * 5, [])
    assert receiver.feed(made[-1])[0] == NAK, "it could not be stored"
    assert receiver.feed(made[-1])[0] == ACK
    assert receiver.feed(made[-1])[0] == ACK, "our answer was lost: the same frame once more"
    assert stored == [TEXT]
    assert receiver.feed(EOT)[1] + receiver.close() == []


def test_memory_is_bounded() -> None:
    receiver = Receiver(largest=10_000)
    receiver.feed(ENQ)
    for number in range(1, 60):
        receiver.feed(
            frames(b"C|" + b"x" * 900 + b"\r", size=2_000)[0].replace(b"\x021", b"\x02%d" % (number % 8))
        )
    assert len(receiver._text) <= 10_000
    endless, _ = Receiver(), None
    endless.feed(ENQ + b"\x02" + b"y" * 300_000)
    assert len(endless._frame) < 70_000


records = st.lists(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=600).map(lambda t: "C|" + t),
    min_size=1, max_size=12,
)  # fmt: skip


@hypothesis_settings(deadline=None, max_examples=100)
@given(records, st.integers(10, 400), st.integers(1, 50))
def test_round_trip(rows: list[str], size: int, step: int) -> None:
    content = b"".join(row.encode() + b"\r" for row in rows)
    line = ENQ + b"".join(frames(content, size=size)) + EOT
    answers, ended = talk(*[line[n : n + step] for n in range(0, len(line), step)])
    assert ended == [Session(content)]
    assert set(answers) == {6}


@hypothesis_settings(deadline=None, max_examples=300)
@given(st.binary(max_size=400))
def test_any_bytes_end_in_sessions_and_messages_or_names(content: bytes) -> None:
    _answers, ended = talk(content)
    for session in [*ended, Session(b"H|\\^&" + content)]:
        for part in messages_split(session.content):
            try:
                assert message_read(part).observations
            except MessageError as error:
                assert error.code  # noqa: PT017 - either outcome is right
