"""LIS2-A2 records as an analyser sends them: parsing to observations; pure.

========  ====================================================================================================
H         delimiters in H-2; H-5 the sender: the analyser's code here; H-12 must be `P`; H-13 `LIS2-A2` or `LIS2-A`
O-3       specimen (the kit serial); O-4 running number, if the analyser keeps one
R-3       test code as its fourth component (`^^^FHB`), or its first
R-4, 5    value (a number, or `<` or `>` and a number) and unit
R-7       flags: the analyser's own yes or no (A, H, HH, N), off the scale (`<`, `>`), or a flag in its words
R-9       F final, R sent before, P or I preliminary, C corrected, X cannot be done
R-13      when it was read
C         after an R: its words are added to the flag when no value could be obtained
L         must end the message
========  ====================================================================================================

M records are kept raw and ignored; a Q record asks us something and is refused by name.
Source: CLSI LIS2-A2 / ASTM E1394 (from memory, standards 8.4).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy as _

from results.lab_formats.hl7_oru import MOST_SEGMENTS
from results.lab_formats.observations import (
    LONGEST_TEXT,
    Message,
    MessageError,
    Observation,
    Status,
    check_test,
    clean,
    timestamp_iso,
    verdict_read,
)

VERSIONS = ("LIS2-A2", "LIS2-A")
STATUSES = {
    "F": Status.FINAL, "R": Status.FINAL, "P": Status.PRELIMINARY, "I": Status.PRELIMINARY, "C": Status.CORRECTED,
    "X": Status.CANNOT,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Marks:
    """The delimiters that record H declares."""

    part: str
    repeat: str
    component: str
    escape: str

    def plain(self, text: str) -> str:
        """The text with its escape sequences (`&F&` …) undone."""
        for name, mark in (("F", self.part), ("R", self.repeat), ("S", self.component), ("E", self.escape)):
            text = text.replace(f"{self.escape}{name}{self.escape}", mark)
        return text


@dataclass(frozen=True, slots=True)
class Record:
    """One record: its kind, its fields (1-based as in the standard; 1 is the kind) and its text."""

    parts: Sequence[str]
    text: str
    marks: Marks

    @property
    def kind(self) -> str:
        """The letter that says what the record is."""
        return self.parts[0].strip().upper()[:1]

    def get(self, n: int, component: int = 1) -> str:
        """A component of the first repetition of a field; '' when absent."""
        if n > len(self.parts):
            return ""
        pieces = self.parts[n - 1].split(self.marks.repeat, 1)[0].split(self.marks.component)
        return clean(self.marks.plain(pieces[component - 1])).strip() if component <= len(pieces) else ""


def messages_split(content: bytes) -> list[bytes]:
    """The messages of a file: each begins with an H record; what stands before the first is one too."""
    normal = content.replace(b"\r\n", b"\r").replace(b"\n", b"\r")
    parts: list[list[bytes]] = []
    for line in normal.split(b"\r"):
        if not line.strip():
            continue
        if line[:1] in (b"H", b"h") or not parts:
            parts.append([])
        parts[-1].append(line)
    return [b"\r".join(lines) for lines in parts]


def message_read(content: bytes) -> Message:
    """The observations of one message; MessageError when the message as a whole cannot be taken."""
    records = _records(content)
    head = records[0]
    if head.get(13) not in VERSIONS:
        raise MessageError(
            "message_version", _("The message is not LIS2-A2. Set the analyser's version field to LIS2-A2.")
        )
    if head.get(12) not in ("P", ""):
        raise MessageError(
            "not_production", _("The message is marked as a test or training message; nothing is taken.")
        )
    if any(record.kind == "Q" for record in records):
        raise MessageError(
            "query", _("The analyser asks for its work list, which is not answered here. Scan at the bench.")
        )
    if records[-1].kind != "L":
        raise MessageError(
            "no_end", _("The message has no end record, so part of it may be missing. Send it again.")
        )
    observations = list(_observations(records))
    if not observations:
        raise MessageError("no_results", _("The message holds no result."))
    return Message(head.get(5), head.get(3), tuple(observations))


def _records(content: bytes) -> list[Record]:
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        raise MessageError(
            "readings_encoding", _("The message is not UTF-8 text. Set the analyser to ASCII or UTF-8.")
        ) from None
    rows = [row for row in text.replace("\r\n", "\r").replace("\n", "\r").split("\r") if row.strip()]
    told = rows[0][1:5] if rows and rows[0][:1] in ("H", "h") else ""
    if not told:
        raise MessageError("not_lis2", _("The message does not begin with an H record."))
    if len(set(told)) != 4 or any(mark.isalnum() or mark.isspace() for mark in told):
        raise MessageError("delimiters", _("The message declares delimiters that cannot be told apart."))
    if len(rows) > MOST_SEGMENTS:
        raise MessageError("too_many_segments", _("The message has more segments than any result needs."))
    marks = Marks(*told)
    rest = rows[0][5:].removeprefix(marks.part)
    first = Record([rows[0][0], told, *rest.split(marks.part)], clean(rows[0], LONGEST_TEXT), marks)
    return [first, *(Record(row.split(marks.part), clean(row, LONGEST_TEXT), marks) for row in rows[1:])]


def _observations(records: Sequence[Record]) -> Iterator[Observation]:
    specimen = number = ""
    for nth, record in enumerate(records):
        if record.kind == "P":
            specimen = number = ""
        elif record.kind == "O":
            specimen, number = record.get(3), record.get(4)
        elif record.kind == "R":
            try:
                yield _observation(record, specimen, number, list(_comments(records[nth + 1 :])))
            except MessageError as error:
                yield Observation(record.text, specimen, error=error)


def _comments(following: Sequence[Record]) -> Iterator[str]:
    for record in following:
        if record.kind != "C":
            return
        yield record.get(4) or record.get(4, 2)


def _observation(record: Record, specimen: str, number: str, notes: Sequence[str]) -> Observation:
    check_test(record.get(3, 4) or record.get(3), record.get(5))
    status = STATUSES.get(record.get(9))
    if status is None:
        raise MessageError("status_unknown", _("The status of the result is none we know."))
    read_at = timestamp_iso(record.get(13))
    common: dict[str, Any] = {"text": record.text, "specimen": specimen, "read_at": read_at, "number": number}
    if status is Status.CANNOT:
        words = " ".join(note for note in [record.get(7), *notes] if note) or status.value
        return Observation(**common, flag=words[:40], status=status, unit=record.get(5))
    value = record.get(4)
    says, flag = verdict_read(record.get(7), value)
    return Observation(**common, value=value, unit=record.get(5), flag=flag, status=status, says=says)
