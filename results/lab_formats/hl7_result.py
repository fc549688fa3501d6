"""HL7 v2.5.1 ORU^R01 out of a result, for a hospital's or a doctor's system; pure.

What is written (our own reader in `hl7_oru` reads it back):

=========  ==================================================================================================
MSH-10     the message's number: the same state of the same result always has the same, so a repetition is recognised
MSH-18     `UNICODE UTF-8`
PID-3, 5   person number and name; PID-7 birth date, PID-8 sex; never an address
OBR-3      the kit's serial; OBR-7, 8 first and last day the sample may have been taken; OBR-22 when it was released
OBR-25     F final, C corrected, X when the result was withdrawn
OBX-2, 5   NM a number; SN comparator^number for a value off the scale
OBX-3, 6   LOINC 27396-1 (mass/mass) with `ug/g`;  OBX-7 the cutoff in force, as what is below it;  OBX-8 A or N
OBX-11     F final; C from the second version on; D for a withdrawn result, without a value
NTE-3      what must be read beside it
SPM        serial, stool, days taken, day received
=========  ==================================================================================================

Source: HL7 v2.5.1 chapters 2 and 7, tables 0085 (OBX-11), 0123 (OBR-25) and 0078 (OBX-8), layout as in standards 8.3.
"""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

ESCAPES = str.maketrans({
    "\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "~": "\\R\\", "&": "\\T\\", "\r": " ", "\n": " ", "\x0b": " ", "\x1c": " ",
    "\x00": " ",
})  # fmt: skip
SEXES = {"female": "F", "male": "M", "other": "O"}
TEST = "27396-1^Hemoglobin [Mass/mass] in Stool^LN"
STOOL = "119339001^Stool specimen^SCT"


@dataclass(frozen=True)
class Sent:
    """Everything a message says; `comparator` is empty, `<`, `>` or `>=`; `value` None where the result was withdrawn."""

    number: str
    sender: tuple[str, str]
    receiver: tuple[str, str]
    made_at: datetime
    authority: str
    person_number: str
    family_name: str
    given_names: str
    birth_date: date | None
    sex: str
    serial: str
    taken_first: date
    taken_last: date
    received_on: date
    released_at: datetime
    analysed_on: date
    version: int
    comparator: str
    value: Decimal | None
    cutoff: Decimal
    comparison: str
    at_or_above: bool
    notes: tuple[str, ...] = ()


def message_write(sent: Sent) -> bytes:
    """The message, its segments ended by carriage returns."""
    rows = [_head(sent), _person(sent), _order(sent), _value(sent)]
    rows += [f"NTE|{nth}|L|{_plain(words)}" for nth, words in enumerate(sent.notes, start=1)]
    return ("\r".join([*rows, _specimen(sent)]) + "\r").encode("utf-8")


def _plain(text: str) -> str:
    return text.translate(ESCAPES)


def _row(name: str, fields: dict[int, str]) -> str:
    """A segment with these fields by their numbers in the standard."""
    return "|".join([name, *(fields.get(n, "") for n in range(1, max(fields) + 1))])


def _moment(value: datetime) -> str:
    return value.strftime("%Y%m%d%H%M%S%z")


def _day(value: date | None) -> str:
    return value.strftime("%Y%m%d") if value else ""


def _head(sent: Sent) -> str:
    (app, facility), (to_app, to_facility) = sent.sender, sent.receiver
    names = [_plain(one) for one in (app, facility, to_app, to_facility)]
    parts = ["MSH", "^~\\&", *names, _moment(sent.made_at), "", "ORU^R01^ORU_R01", sent.number, "P", "2.5.1"]
    return "|".join([*parts, *[""] * 5, "UNICODE UTF-8"])


def _person(sent: Sent) -> str:
    number = f"{_plain(sent.person_number)}^^^{_plain(sent.authority)}^PI" if sent.person_number else ""
    name = f"{_plain(sent.family_name)}^{_plain(sent.given_names)}"
    return _row("PID", {1: "1", 3: number, 5: name, 7: _day(sent.birth_date), 8: SEXES.get(sent.sex, "U")})


def _order(sent: Sent) -> str:
    status = "X" if sent.value is None else "C" if sent.version > 1 else "F"
    last = _day(sent.taken_last) if sent.taken_last != sent.taken_first else ""
    return _row("OBR", {
        1: "1", 3: _plain(sent.serial), 4: TEST, 7: _day(sent.taken_first), 8: last, 14: _day(sent.received_on),
        22: _moment(sent.released_at), 24: "LAB", 25: status,
    })  # fmt: skip


def _value(sent: Sent) -> str:
    limit = f"{'<' if sent.comparison == '>=' else '<='}{sent.cutoff.normalize():f}"
    common = {
        1: "1",
        3: TEST,
        6: "ug/g",
        7: limit,
        14: _day(sent.taken_first),
        19: f"{_day(sent.analysed_on)}0000",
    }
    if sent.value is None:
        return _row("OBX", common | {2: "ST", 11: "D"})
    kind, value = (
        ("SN", f"{sent.comparator}^{sent.value:f}") if sent.comparator else ("NM", f"{sent.value:f}")
    )
    says, status = "A" if sent.at_or_above else "N", "C" if sent.version > 1 else "F"
    return _row("OBX", common | {2: kind, 5: value, 8: says, 11: status})


def _specimen(sent: Sent) -> str:
    span = "^".join(dict.fromkeys([_day(sent.taken_first), _day(sent.taken_last)]))
    return _row("SPM", {1: "1", 2: _plain(sent.serial), 4: STOOL, 17: span, 18: _day(sent.received_on)})
