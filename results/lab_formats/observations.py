"""What every message format of an analyser says about one specimen, in one shape; pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from results.lab_formats.csv_readings import RawLine, unit_read
from results.yes_no import SIGNS, yes_no_read

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

LONGEST_TEXT = 2_000
"""Characters of one segment or record kept beside its verdict; the message itself is kept whole elsewhere."""
LONGEST_FIELD = 200
TEST_CODES: dict[str, str] = {"27396-1": "ug/g", "58453-2": "ng/mL", "FHB": ""}
"""Test code → the unit its property allows (empty: any). LOINC mass/mass pairs with µg/g, mass/volume with ng/mL;
`FHB` is the local code to set on an analyser that has no LOINC. Source: LOINC 27396-1 and 58453-2 (standards 8.1)."""


class Status(StrEnum):
    """How far a result of a message has come."""

    FINAL = "final"
    PRELIMINARY = "preliminary"
    CORRECTED = "corrected"
    CANNOT = "cannot"
    DELETED = "deleted"


class MessageError(ValueError):
    """A message, or one result of it, that is refused by name: a stable code and a sentence."""

    def __init__(self, code: str, sentence: StrOrPromise) -> None:
        super().__init__(code)
        self.code = code
        self.sentence: StrOrPromise = sentence


@dataclass(frozen=True, slots=True)
class Observation:
    """One result as sent; `value` in our notation (`23.4`, `<4`, `>200`), `read_at` in ISO 8601, both empty if absent."""

    text: str
    specimen: str
    value: str = ""
    unit: str = ""
    flag: str = ""
    status: Status = Status.FINAL
    read_at: str = ""
    number: str = ""
    says: bool | None = None
    error: MessageError | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """One message: who sent it under which number, and its results in order."""

    sender: str
    control_id: str
    observations: tuple[Observation, ...]
    errors: tuple[tuple[str, MessageError], ...] = field(default=())
    """Parts that are no result but were refused by name: their text and why."""


def timestamp_iso(text: str) -> str:
    """A timestamp of the message formats (`20261125092000`, with fraction or offset) in ISO 8601; '' for an empty one.

    MessageError when it is not at least a day with hour and minute.
    """
    stripped = text.strip()
    if not stripped:
        return ""
    body, sign, offset = stripped, "", ""
    for mark in "+-":
        if mark in stripped[8:]:
            body, _mark, offset = stripped.partition(mark)
            sign = mark
    digits = body.split(".")[0]
    try:
        if not digits.isascii() or len(digits) not in (12, 14):
            raise ValueError(digits)
        moment = datetime.strptime(digits, "%Y%m%d%H%M%S" if len(digits) == 14 else "%Y%m%d%H%M")  # noqa: DTZ007
        zone = f"{sign}{offset[:2]}:{offset[2:4]}" if sign and len(offset) == 4 else ""
        if sign and not zone:
            raise ValueError(offset)
    except ValueError:
        raise MessageError(
            "read_at", _("The time of the reading is not a date with hour and minute. Set the analyser's format.")
        ) from None  # fmt: skip
    return moment.isoformat() + zone


def check_test(code: str, unit: str) -> None:
    """MessageError for a result of another test, or a test code whose property contradicts the unit."""
    if code not in TEST_CODES:
        raise MessageError(
            "other_test", _("This result is of another test, which this programme does not take.")
        )
    wanted = TEST_CODES[code]
    if wanted and unit_read(unit) not in (wanted, None):
        raise MessageError(
            "code_unit_disagree",
            _("The test code means another unit than the one sent. Correct the set-up of the analyser."),
        )


INTERPRETATIONS: dict[str, bool | None] = {
    "": None, "A": True, "AA": True, "H": True, "HH": True, "POS": True, ">": True, "N": False, "NEG": False, "L": None,
    "LL": None, "<": None,
}  # fmt: skip
"""Interpretation code → the analyser's own yes (at or above) or no; a code not listed is an analyser's flag."""


def interpretation_read(code: str, value: str) -> tuple[bool | None, str]:
    """(the analyser's own verdict, its flag) of an interpretation code.

    `<` and `>` say that the value lies outside the scale; MessageError when the value itself does not say so, because
    then it is not known what the number means.
    """
    shown = code.strip().upper()
    if shown in ("<", ">") and value and not value.startswith(shown):
        raise MessageError(
            "limit_flag_disagrees",
            _("The result is marked as off the scale, but its value has no < or >. Look at the display."),
        )
    if shown in INTERPRETATIONS:
        return INTERPRETATIONS[shown], ""
    return None, code.strip()[:40]


def verdict_read(code: str, value: str) -> tuple[bool | None, str]:
    """(the analyser's own verdict, its flag) of a result: its interpretation code, or a value that is only yes or no.

    MessageError for a bare sign instead of a value, and where the value and the code say opposite things.
    """
    word = yes_no_read(value)
    if word is None:
        if value.strip() in SIGNS:
            raise MessageError(
                "qualitative_only",
                _("A bare + or − was sent. Set the analyser to send the number, or a word."),
            )
        return interpretation_read(code, value)
    says, flag = interpretation_read(code, "")
    if says is not None and says != word:
        raise MessageError(
            "analyser_contradicts",
            _("The value and its interpretation say opposite things. Look at the display."),
        )
    return word, flag


def clean(text: str, longest: int = LONGEST_FIELD) -> str:
    """A field as text that can be stored: no NUL, and not longer than anything we understand."""
    return text.replace("\x00", "\ufffd")[:longest]


def raw_lines(messages: Iterable[Message | tuple[str, MessageError]]) -> Iterator[RawLine]:
    """Every result, and everything refused, of several messages as numbered lines for judging."""
    number = 0
    for message in messages:
        if not isinstance(message, Message):
            number += 1
            yield _refused(number, *message)
            continue
        for observation in message.observations:
            number += 1
            yield _line(number, observation)
        for text, error in message.errors:
            number += 1
            yield _refused(number, text, error)


def _refused(number: int, text: str, error: MessageError) -> RawLine:
    return RawLine(number, clean(text, LONGEST_TEXT), None, refused=(error.code, str(error.sentence)))


def _line(number: int, one: Observation) -> RawLine:
    if one.error is not None:
        fields = (one.number, one.specimen, "", "", "", "")
        return RawLine(
            number, one.text, fields, refused=(one.error.code, str(one.error.sentence)), numberless=True
        )
    fields = (one.number, one.specimen, one.value, one.unit, one.flag, one.read_at)
    return RawLine(
        number, one.text, fields, status=one.status.value, says=one.says, numberless=not one.number.strip()
    )
