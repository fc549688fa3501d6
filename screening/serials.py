"""Kit serials and person numbers: how they are made, read from a scanner and checked; pure rules."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _
from stdnum.iso7064 import mod_11_10, mod_37_36

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

DEFAULT_PREFIX = "TK"
SERIAL_DIGITS = 9
PERSON_NUMBER_DIGITS = 12

_ASCII_DIGITS = frozenset("0123456789")
_PRINTED_LETTERS = frozenset("ABCDEFGHJKLMNPQRSTUVWXYZ")
_CHECK_CHARACTERS = _ASCII_DIGITS | frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
_AIM_IDENTIFIER = re.compile(r"\][A-Z][0-9A-Z]")
_NOISE = re.compile(r"[\s\x00-\x1f\x7f\u200b\ufeff\u2010-\u2015\u2212-]")


class SerialErrorCode(StrEnum):
    """Why a scanned or typed text is not a kit serial."""

    EMPTY = "serial_empty"
    LENGTH = "serial_length"
    PREFIX = "serial_prefix"
    CHARACTERS = "serial_characters"
    CHECK = "serial_check"


class SerialError(ValueError):
    """A text that is not a kit serial: a stable code and a sentence that says what to do next."""

    def __init__(self, code: SerialErrorCode, sentence: StrOrPromise) -> None:
        super().__init__(code.value)
        self.code = code
        self.sentence: str | Promise = sentence


def prefix_ok(prefix: str) -> bool:
    """Whether a serial prefix may be printed: 1 to 4 Latin capitals without I and O, which read as 1 and 0.

    Source: ISO/IEC 7064 keeps I and O in its alphabet, so a printed alphabet is enforced apart
    (common practice).
    """
    return 1 <= len(prefix) <= 4 and set(prefix) <= _PRINTED_LETTERS


def serial_make(number: int, prefix: str = DEFAULT_PREFIX) -> str:
    """The kit serial of a running number: prefix + 9 digits + 1 check character, e.g. ``TK000000001…``.

    ``number`` is 1 to 999,999,999. ValueError for a number or prefix outside those bounds.
    Source: ISO/IEC 7064 MOD 37,36, over prefix and digits.
    """
    if not 1 <= number < 10**SERIAL_DIGITS:
        raise ValueError(f"kit number out of range 1..{10**SERIAL_DIGITS - 1}: {number}")
    if not prefix_ok(prefix):
        raise ValueError(f"kit serial prefix must be 1 to 4 capitals without I and O: {prefix!r}")
    body = f"{prefix}{number:0{SERIAL_DIGITS}d}"
    check: str = mod_37_36.calc_check_digit(body)
    return body + check


def serial_read(
    raw: str, prefix: str = DEFAULT_PREFIX, *, scanner_prefix: str = "", scanner_suffix: str = ""
) -> str:
    """The kit serial in what a scanner or a keyboard sent, in its one stored form.

    Upper-cases, drops spaces, hyphens and control characters, an AIM symbology identifier (``]C0``,
    ``]d1``) and the station's own scanner prefix and suffix. Never repairs a character: a letter O among
    the digits is refused. SerialError for nothing, a wrong length, a foreign prefix, a wrong character or
    a check character that disagrees.
    Source: ISO/IEC 7064 MOD 37,36; ISO/IEC 15424 for the symbology identifier (from memory).
    """
    text = _normalised(raw, scanner_prefix, scanner_suffix)
    length = len(prefix) + SERIAL_DIGITS + 1
    if not text:
        raise SerialError(
            SerialErrorCode.EMPTY, _("Nothing was read. Scan the kit again or type its serial.")
        )
    if len(text) != length:
        raise SerialError(SerialErrorCode.LENGTH, _length_sentence(length, len(text)))
    if not text.startswith(prefix):
        raise SerialError(SerialErrorCode.PREFIX, _prefix_sentence(prefix))
    digits, check = text[len(prefix) : -1], text[-1]
    if not set(digits) <= _ASCII_DIGITS or check not in _CHECK_CHARACTERS:
        raise SerialError(SerialErrorCode.CHARACTERS, _characters_sentence())
    if not mod_37_36.is_valid(text):
        raise SerialError(SerialErrorCode.CHECK, _check_sentence())
    return text


def _normalised(raw: str, scanner_prefix: str, scanner_suffix: str) -> str:
    """What is left of a scan without noise, station prefix and suffix, and symbology identifier."""
    text = _NOISE.sub("", raw).upper()
    before, after = (_NOISE.sub("", part).upper() for part in (scanner_prefix, scanner_suffix))
    text = text.removeprefix(before)
    match = _AIM_IDENTIFIER.match(text)
    if match:
        text = text[match.end() :].removeprefix(before)
    return text.removesuffix(after) if after else text


def _length_sentence(length: int, got: int) -> StrOrPromise:
    return format_lazy(
        _(
            "A kit serial has {length} characters, this has {got}. "
            "Scan again or type what is printed on the kit."
        ),
        length=length,
        got=got,
    )


def _prefix_sentence(prefix: str) -> StrOrPromise:
    return format_lazy(
        _(
            "Kit serials of this programme begin with {prefix}. "
            "If the kit is not ours, put it in the 'not ours' tray."
        ),
        prefix=prefix,
    )


def _characters_sentence() -> StrOrPromise:
    return format_lazy(
        _(
            "Between the prefix and the last character there are {digits} digits. "
            "Look for a letter O or I typed for 0 or 1."
        ),
        digits=SERIAL_DIGITS,
    )


def _check_sentence() -> StrOrPromise:
    return _(
        "The last character does not fit the rest, so one was misread. Scan again or compare it with the kit."
    )


def person_number_make(n: int) -> str:
    """The person number of a running number: 11 digits and 1 check digit.

    ``n`` is 1 to 99,999,999,999; ValueError outside. Source: ISO/IEC 7064 MOD 11,10.
    """
    width = PERSON_NUMBER_DIGITS - 1
    if not 1 <= n < 10**width:
        raise ValueError(f"person number out of range 1..{10**width - 1}: {n}")
    body = f"{n:0{width}d}"
    check: str = mod_11_10.calc_check_digit(body)
    return body + check


def person_number_ok(raw: str) -> bool:
    """Whether a text is a person number exactly as stored: 12 ASCII digits, the last one checking the
    others.

    Nothing is stripped: a feed that sends spaces is answered, not repaired. Source: ISO/IEC 7064 MOD 11,10.
    """
    return len(raw) == PERSON_NUMBER_DIGITS and set(raw) <= _ASCII_DIGITS and bool(mod_11_10.is_valid(raw))
