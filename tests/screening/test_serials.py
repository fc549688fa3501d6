"""Kit serials and person numbers: made, read from scanners, and refused by name."""

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from screening.serials import (
    SerialError,
    SerialErrorCode,
    person_number_make,
    person_number_ok,
    prefix_ok,
    serial_make,
    serial_read,
)

patient = hypothesis_settings(deadline=None)
GOOD = serial_make(123)
numbers = st.integers(min_value=1, max_value=999_999_999)


def test_serial_has_prefix_nine_digits_and_a_check_character() -> None:
    assert GOOD.startswith("TK000000123")
    assert len(GOOD) == 12


@pytest.mark.parametrize("number", [0, -1, 1_000_000_000])
def test_serial_number_out_of_range(number: int) -> None:
    with pytest.raises(ValueError, match="out of range"):
        serial_make(number)


@pytest.mark.parametrize(
    ("prefix", "ok"),
    [
        ("TK", True),
        ("A", True),
        ("ABCD", True),
        ("", False),
        ("ABCDE", False),
        ("TO", False),
        ("IK", False),
        ("tk", False),
        ("T1", False),
        ("Ñ", False),
    ],
)
def test_printed_alphabet_of_the_prefix(prefix: str, ok: bool) -> None:
    assert prefix_ok(prefix) is ok
    if not ok:
        with pytest.raises(ValueError, match="prefix"):
            serial_make(1, prefix)


@pytest.mark.parametrize(
    "raw",
    [
        GOOD,
        GOOD.lower(),
        f"  {GOOD}\r\n",
        f"]C0{GOOD}",
        f"]d1{GOOD}",
        f"]D1{GOOD}",
        f"TK-000 000-123{GOOD[-1]}",
        f"TK\u2011000000123\u2013{GOOD[-1]}",
        f"\ufeff{GOOD}\x1d",
    ],
)
def test_scanner_habits_are_normalised(raw: str) -> None:
    assert serial_read(raw) == GOOD


@pytest.mark.parametrize("raw", [f"##{GOOD}$$", f"##]C0{GOOD}$$", f"]C0##{GOOD}$$", GOOD])
def test_station_prefix_and_suffix(raw: str) -> None:
    assert serial_read(raw, scanner_prefix="##", scanner_suffix="$$") == GOOD


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        ("", SerialErrorCode.EMPTY),
        (" - \r", SerialErrorCode.EMPTY),
        ("]C0", SerialErrorCode.EMPTY),
        (GOOD[:-1], SerialErrorCode.LENGTH),
        (GOOD + "0", SerialErrorCode.LENGTH),
        (GOOD + GOOD, SerialErrorCode.LENGTH),
        ("ZZ" + GOOD[2:], SerialErrorCode.PREFIX),
        (GOOD.replace("0", "O", 1), SerialErrorCode.CHARACTERS),
        ("TK00000012\u0663" + GOOD[-1], SerialErrorCode.CHARACTERS),
        (GOOD[:-1] + "?", SerialErrorCode.CHARACTERS),
        (GOOD[:-1] + ("A" if GOOD[-1] != "A" else "B"), SerialErrorCode.CHECK),
    ],
)
def test_refused_by_name(raw: str, code: SerialErrorCode) -> None:
    with pytest.raises(SerialError) as caught:
        serial_read(raw)
    assert caught.value.code is code
    assert caught.value.sentence is not None


@patient
@given(numbers)
def test_round_trip(number: int) -> None:
    assert serial_read(serial_make(number)) == serial_make(number)


@patient
@given(numbers, st.integers(2, 11), st.sampled_from("0123456789"))
def test_every_single_substitution_is_caught(number: int, place: int, digit: str) -> None:
    serial = serial_make(number)
    wrong = serial[:place] + digit + serial[place + 1 :]
    if wrong == serial:
        assert serial_read(wrong) == serial
    else:
        with pytest.raises(SerialError):
            serial_read(wrong)


@patient
@given(st.text(max_size=20))
def test_any_text_is_read_or_refused(raw: str) -> None:
    try:
        serial = serial_read(raw)
    except SerialError:
        return
    assert serial_read(serial) == serial
    assert len(serial) == 12


@patient
@given(st.integers(1, 99_999_999_999))
def test_person_numbers_check(n: int) -> None:
    number = person_number_make(n)
    assert len(number) == 12
    assert person_number_ok(number)
    assert sum(person_number_ok(number[:-1] + digit) for digit in "0123456789") == 1


@pytest.mark.parametrize("raw", ["", "12345", "abcdefghijkl", person_number_make(7) + " ", "\u0660" * 12])
def test_person_numbers_refused(raw: str) -> None:
    assert not person_number_ok(raw)


@pytest.mark.parametrize("n", [0, 10**11])
def test_person_number_out_of_range(n: int) -> None:
    with pytest.raises(ValueError, match="out of range"):
        person_number_make(n)
