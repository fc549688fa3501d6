"""HL7 ORU^R01: the published shapes, two independent parsers beside ours, and every part that is refused by name."""

import hl7
import pytest
from hl7apy.parser import parse_message
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.lab_formats import hl7_oru, mllp
from results.lab_formats.hl7_oru import message_read, messages_split
from results.lab_formats.observations import MessageError, Observation, Status, timestamp_iso

# Source: HL7 v2.5.1 chapter 7, ORU^R01 (layout from memory, the meaning of SN read in the standard's own page): standards 8.3.
HEAD = "MSH|^~\\&|ANALYSER|LAB|REGISTRY|PROGRAMME|20261125093000||ORU^R01^ORU_R01|MSG00001|P|2.5.1"
EXAMPLE = [
    HEAD,
    "PID|1||REG0000123^^^PROGRAMME^PI||FENWIRTH^LIORA||19650412|F",
    "OBR|1|ORD1001|KIT2026000123|27396-1^Hemoglobin [Mass/mass] in Stool^LN|||20261121080000|||||||20261124101500"
    "||||||||20261125092500||CH|F",
    "OBX|1|NM|27396-1^Hemoglobin [Mass/mass] in Stool^LN||23.4|ug/g|<20|A|||F|||20261125092000",
    "SPM|1|KIT2026000123||119339001^Stool specimen^SCT|||||||||||||20261121080000|20261124101500",
]


def text(*rows: str) -> bytes:
    return ("\r".join(rows) + "\r").encode()


def with_obx(obx: str) -> bytes:
    return text(*EXAMPLE[:3], obx, EXAMPLE[4])


def only(content: bytes) -> Observation:
    (found,) = message_read(content).observations
    return found


def test_the_published_example() -> None:
    message = message_read(text(*EXAMPLE))
    assert (message.sender, message.control_id) == ("ANALYSER", "MSG00001")
    (one,) = message.observations
    assert (one.specimen, one.value, one.unit, one.status, one.says, one.read_at, one.error) == (
        "KIT2026000123", "23.4", "ug/g", Status.FINAL, True, "2026-11-25T09:20:00", None,
    )  # fmt: skip


@pytest.mark.parametrize(("obx", "value", "status", "says"), [
    ("OBX|1|SN|27396-1^H^LN||<^4|ug/g|<20|N|||F|||20261125092000", "<4", Status.FINAL, False),
    ("OBX|1|SN|27396-1^H^LN||>^200|ug/g|<20|A|||F|||20261125092000", ">200", Status.FINAL, True),
    ("OBX|1|SN|27396-1^H^LN||^23.4|ug/g|<20|A|||F|||20261125092000", "23.4", Status.FINAL, True),
    ("OBX|1|SN|27396-1^H^LN||=^23.4|ug/g|<20||||C|||20261125092000", "23.4", Status.CORRECTED, None),
    ("OBX|1|SN|27396-1^H^LN||>=^200|ug/g|<20|A|||F|||20261125092000", ">=200", Status.FINAL, True),
    ("OBX|1|ST|27396-1^H^LN||>200|ug/g|<20|>|||F|||20261125092000", ">200", Status.FINAL, True),
    ("OBX|1|ST|27396-1^H^LN||POSITIVE|ug/g|||||F", "POSITIVE", Status.FINAL, True),
    ("OBX|1|ST|27396-1^H^LN||neg|ug/g|<20|N|||F", "neg", Status.FINAL, False),
    ("OBX|1|ST|27396-1^H^LN||||||||X", "", Status.CANNOT, None),
    ("OBX|1|NM|27396-1^H^LN||23.4|ug/g|<20||||P|||20261125092000", "23.4", Status.PRELIMINARY, None),
    ("OBX|1|NM|27396-1^H^LN||23.4|ug/g|<20||||D|||20261125092000", "", Status.DELETED, None),
])  # fmt: skip
def test_values_and_states(obx: str, value: str, status: Status, says: bool | None) -> None:
    one = only(with_obx(obx))
    assert (one.error, one.value, one.status, one.says) == (None, value, status, says)


@pytest.mark.parametrize(("obx", "code"), [
    ("OBX|1|NM|718-7^Hemoglobin^LN||13.4|g/dL|||||F", "other_test"),
    ("OBX|1|NM|27396-1^H^LN||23.4|ng/mL|<20|A|||F", "code_unit_disagree"),
    ("OBX|1|NM|58453-2^H^LN||23.4|ug/g|<20|A|||F", "code_unit_disagree"),
    ("OBX|1|NM|27396-1^H^LN||200|ug/g|<20|>|||F", "limit_flag_disagrees"),
    ("OBX|1|SN|27396-1^H^LN||^1^:^128|ug/g|||||F", "reading_text"),
    ("OBX|1|ST|27396-1^H^LN||+|ug/g|||||F", "qualitative_only"),
    ("OBX|1|ST|27396-1^H^LN||POSITIVE|ug/g|<20|N|||F", "analyser_contradicts"),
    ("OBX|1|CE|27396-1^H^LN||260373001^Detected^SCT|ug/g|||||F", "value_type"),
    ("OBX|1|NM|27396-1^H^LN||23.4|ug/g|||||", "status_unknown"),
    ("OBX|1|NM|27396-1^H^LN||23.4|ug/g|||||Z", "status_unknown"),
    ("OBX|1|NM|27396-1^H^LN||23.4|ug/g|||||F|||yesterday", "read_at"),
])  # fmt: skip
def test_a_result_is_refused_by_name(obx: str, code: str) -> None:
    error = only(with_obx(obx)).error
    assert error is not None
    assert error.code == code
    assert str(error.sentence).endswith(".")


@pytest.mark.parametrize(("content", "code"), [
    (b"", "not_hl7"),
    (b"MSH", "not_hl7"),
    (b"PID|1\rOBX|1", "not_hl7"),
    (b"MSH||||||||\r", "delimiters"),
    (b"MSHABCDEFGHIJ\r", "delimiters"),
    (text(HEAD), "no_results"),
    (text(HEAD.replace("ORU^R01^ORU_R01", "ADT^A08"), *EXAMPLE[1:]), "message_type"),
    (text(HEAD.replace("|P|", "|T|"), *EXAMPLE[1:]), "not_production"),
    (text(HEAD.replace("2.5.1", "2.1"), *EXAMPLE[1:]), "message_version"),
    (text(HEAD + "||||||KLINGON", *EXAMPLE[1:]), "charset"),
    (text(*EXAMPLE) + b"NTE|1||\xff\xfe", "readings_encoding"),
    (text(HEAD, *["NTE|1"] * 6_000), "too_many_segments"),
])  # fmt: skip
def test_a_message_is_refused_by_name(content: bytes, code: str) -> None:
    with pytest.raises(MessageError) as refused:
        message_read(content)
    assert refused.value.code == code


def test_two_specimens_for_one_result_are_never_guessed() -> None:
    error = only(text(*EXAMPLE[:4], EXAMPLE[4].replace("000123", "000124"))).error
    assert error is not None
    assert error.code == "specimens_differ"


def test_several_orders_each_with_its_own_specimen() -> None:
    rows = [HEAD]
    for kit, value in (("KIT1", "5"), ("KIT2", "6")):
        rows += [f"OBR|1||{kit}|27396-1^H^LN", f"OBX|1|NM|27396-1^H^LN||{value}|ug/g|||||F"]
    assert [(o.specimen, o.value) for o in message_read(text(*rows)).observations] == [
        ("KIT1", "5"), ("KIT2", "6"),
    ]  # fmt: skip


def test_why_no_value_could_be_obtained_is_kept_as_the_flag() -> None:
    one = only(text(*EXAMPLE[:3], "OBX|1|ST|27396-1^H^LN||||||||X", "NTE|1||CLOT IN PROBE", EXAMPLE[4]))
    assert one.flag == "CLOT IN PROBE"


def test_escapes_and_line_ends() -> None:
    rows = [
        HEAD,
        "OBR|1||KIT\\F\\1\\S\\2\\T\\3\\R\\4\\E\\5|27396-1^H^LN",
        "OBX|1|NM|27396-1^H^LN||5|ug/g|||||F",
    ]
    for end in ("\r", "\n", "\r\n"):
        one = only((end.join(rows) + end).encode())
        assert one.specimen == "KIT|1^2&3~4\\5"
        assert one.specimen == hl7.parse("\r".join(rows)).unescape(rows[1].split("|")[3])


def test_a_batch_file_is_cut_into_its_messages() -> None:
    content = b"FHS|^~\\&\rBHS|^~\\&\r" + text(*EXAMPLE) + text(*EXAMPLE) + b"BTS|2\rFTS|1\r"
    assert [len(message_read(part).observations) for part in messages_split(content)] == [1, 1]


words = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_characters="|^~\\&"), max_size=12
)
numbers = st.decimals(0, 9999, places=1).map(str)


@hypothesis_settings(deadline=None, max_examples=60)
@given(kit=words, value=numbers, comparator=st.sampled_from(["", "<", ">"]), note=words)
def test_two_independent_parsers_read_the_same(kit: str, value: str, comparator: str, note: str) -> None:
    rows = [
        *EXAMPLE[:2], f"OBR|1|ORD1|K{kit}|27396-1^H^LN", f"OBX|1|SN|27396-1^H^LN||{comparator}^{value}|ug/g|||||F",
        f"NTE|1||{note}",
    ]  # fmt: skip
    one = only(text(*rows))
    first = hl7.parse("\r".join(rows))
    assert one.specimen == str(first["OBR"][0][3]).strip()
    pair = first["OBX"][0][5]
    assert one.value == "".join(str(part) for part in pair[0])
    second = parse_message("\r".join(rows) + "\r")
    (group,) = second.oru_r01_patient_result.oru_r01_order_observation
    assert one.specimen == group.obr.obr_3.value.strip()
    seen = group.oru_r01_observation.obx
    assert one.value == seen.obx_5.value.replace("^", "")
    assert seen.obx_11.value == "F"


def test_the_acknowledgement_is_read_back_by_an_independent_parser() -> None:
    answer = hl7_oru.acknowledgement(
        text(*EXAMPLE), "AE", "Look | at ^ it", "RB7.1", "20261125093001"
    ).decode()
    read = hl7.parse(answer)
    assert [str(read["MSA"][0][n]) for n in (1, 2)] == ["AE", "MSG00001"]
    assert read.unescape(str(read["MSA"][0][3])) == "Look | at ^ it"
    assert [str(read["MSH"][0][n]) for n in (3, 5)] == ["REGISTRY", "ANALYSER"]
    strict = parse_message(answer)
    assert strict.msa.msa_1.value == "AE"
    assert hl7_oru.acknowledgement(b"\xff\x00", "AR", "No.", "RB8.1", "20261125093001").startswith(b"MSH|")


def test_frames_of_the_lower_layer() -> None:
    splitter = mllp.Splitter(largest=1_000)
    assert splitter.feed(b"\x0bMSH|a\x1c") == []
    assert splitter.feed(b"\x0d\x0bMSH|b\x1c\x0dstray\x1c\x0d\x0bhalf") == [
        mllp.Cut(b"MSH|a"), mllp.Cut(b"MSH|b"), mllp.Cut(b"stray", "cut_frame"),
    ]  # fmt: skip
    assert splitter.feed(b"\x0bMSH|c\x1c\x0d") == [mllp.Cut(b"half", "cut_frame"), mllp.Cut(b"MSH|c")]
    (large,) = splitter.feed(b"\x0b" + b"x" * 5_000)
    assert (large.trouble, len(large.content) <= 1_000) == ("too_large", True)
    assert splitter.feed(b"y" * 5_000 + b"\x1c\x0d\x0bMSH|d\x1c\x0d") == [mllp.Cut(b"MSH|d")]
    assert splitter.feed(b"\x0bcut off") == []
    assert splitter.close() == [mllp.Cut(b"cut off", "cut_frame")]
    assert mllp.Splitter().feed(mllp.framed(b"whole")) == [mllp.Cut(b"whole")]


@pytest.mark.parametrize(("sent", "expected"), [
    ("20261125092000", "2026-11-25T09:20:00"), ("202611250920", "2026-11-25T09:20:00"),
    ("20261125092000.1234+0100", "2026-11-25T09:20:00+01:00"), ("20261125092000-0330", "2026-11-25T09:20:00-03:30"),
    ("", ""),
])  # fmt: skip
def test_timestamps(sent: str, expected: str) -> None:
    assert timestamp_iso(sent) == expected


@pytest.mark.parametrize("sent", ["20261125", "2026112509", "20261325092000", "20261125092000+01", "now"])
def test_timestamps_that_are_none(sent: str) -> None:
    with pytest.raises(MessageError):
        timestamp_iso(sent)


@hypothesis_settings(deadline=None, max_examples=300)
@given(st.binary(max_size=400))
def test_any_bytes_are_a_message_or_refused_by_name(content: bytes) -> None:
    for data in (content, HEAD.encode() + b"\r" + content):
        try:
            found = message_read(data).observations
        except MessageError as error:
            assert error.code  # noqa: PT017 - either outcome is right
        else:
            assert found
