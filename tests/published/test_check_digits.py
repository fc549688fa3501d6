"""Published check-digit examples, each with its source."""

import pytest
from stdnum.iso7064 import mod_11_10, mod_37_36

from screening.serials import person_number_make, person_number_ok, serial_make


# Source: python-stdnum documentation of ISO 7064 Mod 37,36.
def test_mod_37_36_published() -> None:
    assert mod_37_36.calc_check_digit("A12425GABC1234002") == "M"


# Source: "079 -> 2" check-digit page; "0794 -> 5" example of ISO/IEC 7064 itself (from memory).
@pytest.mark.parametrize(("body", "check"), [("079", "2"), ("0794", "5")])
def test_mod_11_10_published(body: str, check: str) -> None:
    assert mod_11_10.calc_check_digit(body) == check


# Source: python-stdnum documentation of ISO 7064 Mod 11,10.
def test_mod_11_10_longer_published() -> None:
    assert mod_11_10.calc_check_digit("00200667308") == "5"
    assert person_number_make(200667308) == "002006673085"
    assert person_number_ok("002006673085")


def _hybrid(body: str, alphabet: str) -> str:
    """ISO/IEC 7064 hybrid system: P = M; s = (P + a) mod M, 0 -> M; P = 2s mod (M + 1)."""
    size = len(alphabet)
    p = size
    for character in body:
        s = (p + alphabet.index(character)) % size or size
        p = 2 * s % (size + 1)
    return next(c for c in alphabet if (p + alphabet.index(c)) % size == 1)


# Source: the recursion of ISO/IEC 7064:2003 clause on hybrid systems, implemented apart from the library.
@pytest.mark.parametrize("number", [1, 2, 37, 123, 999_999_999, 40_711_293])
def test_serials_and_person_numbers_agree_with_the_recursion(number: int) -> None:
    serial = serial_make(number)
    assert serial[-1] == _hybrid(serial[:-1], "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    person = person_number_make(number)
    assert person[-1] == _hybrid(person[:-1], "0123456789")


# Source: calculated from ISO/IEC 7064 MOD 37,36 over invented identifiers.
@pytest.mark.parametrize(("body", "check"), [("FIT0000001", "C"), ("KIT2026000123", "J")])
def test_mod_37_36_of_invented_identifiers(body: str, check: str) -> None:
    assert mod_37_36.calc_check_digit(body) == check
