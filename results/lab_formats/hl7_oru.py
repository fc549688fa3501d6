"""HL7 v2.5.1 ORU^R01 as an analyser sends it: parsing to observations, and the acknowledgement; pure.

What is read (everything else is kept raw and ignored):

=========  ==================================================================================================
MSH-3      sending application: the analyser's code here, unless the listener was told the analyser
MSH-9      must be `ORU^R01`; MSH-10 the message's number; MSH-11 must be `P`; MSH-12 must be 2.5 or 2.5.1
MSH-18     character set; empty, ASCII, `UNICODE UTF-8` or `8859/1`
OBR-3      specimen (the kit serial) unless SPM-2 gives it; where both do, they must agree
OBX-2, 5   NM a number; SN comparator^number, `<` and `>` only; ST a number with or without `<` or `>`
OBX-3      test code, see `TEST_CODES`;  OBX-4 running number, if the analyser keeps one;  OBX-6 unit
OBX-8      interpretation: the analyser's own yes or no, off the scale, or a flag
OBX-11     P preliminary, F final, C corrected, X cannot be obtained, D deleted
OBX-19/14  when it was read (OBX-19 if given, else OBX-14)
NTE-3      after an OBX: words added to the flag when no value could be obtained
=========  ==================================================================================================

Source: HL7 v2.5.1 chapters 2 and 7 (layout from memory, SN meaning read); standards 8.3.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.utils.translation import gettext_lazy as _

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

VERSIONS = ("2.5", "2.5.1")
STATUSES = {
    "F": Status.FINAL, "P": Status.PRELIMINARY, "R": Status.PRELIMINARY, "C": Status.CORRECTED, "X": Status.CANNOT,
    "D": Status.DELETED,
}  # fmt: skip
CHARSETS = {"": "utf-8", "ASCII": "ascii", "UNICODE UTF-8": "utf-8", "UNICODE": "utf-8", "8859/1": "latin-1"}
MOST_SEGMENTS = 5_000


@dataclass(frozen=True, slots=True)
class Marks:
    """The five delimiters a message declares."""

    part: str = "|"
    component: str = "^"
    repeat: str = "~"
    escape: str = "\\"
    sub: str = "&"

    def plain(self, text: str) -> str:
        """The text with its escape sequences undone; unknown ones are left as sent."""
        if self.escape not in text:
            return text
        known = {
            "F": self.part,
            "S": self.component,
            "T": self.sub,
            "R": self.repeat,
            "E": self.escape,
            ".br": "\n",
        }
        pieces = text.split(self.escape)
        out = [pieces[0]]
        position = 1
        while position < len(pieces):
            name = pieces[position]
            last = position + 1 >= len(pieces)
            if name in known and not last:
                out.append(known[name] + pieces[position + 1])
                position += 2
            else:
                out.append(self.escape + name)
                position += 1
        return "".join(out)


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment: its name, its fields (1-based as in the standard) and its text."""

    name: str
    parts: Sequence[str]
    text: str
    marks: Marks

    def get(self, n: int, component: int = 1) -> str:
        """A component of the first repetition of a field, escapes undone, shortened; '' when absent."""
        if n >= len(self.parts):
            return ""
        first = self.parts[n].split(self.marks.repeat, 1)[0]
        pieces = first.split(self.marks.component)
        if component > len(pieces):
            return ""
        return clean(self.marks.plain(pieces[component - 1].split(self.marks.sub, 1)[0])).strip()


def messages_split(content: bytes) -> list[bytes]:
    """The messages of a file or batch: each begins with a line starting `MSH`; what stands before the first is one too."""
    normal = content.replace(b"\r\n", b"\r").replace(b"\n", b"\r").replace(b"\x0b", b"").replace(b"\x1c", b"")
    parts: list[list[bytes]] = []
    for line in normal.split(b"\r"):
        if line[:3] in (b"FHS", b"BHS", b"BTS", b"FTS") or not line.strip():
            continue
        if line.startswith(b"MSH") or not parts:
            parts.append([])
        parts[-1].append(line)
    return [b"\r".join(lines) for lines in parts]


def message_read(content: bytes) -> Message:
    """The observations of one message; MessageError when the message as a whole cannot be taken."""
    segments = list(_segments(content))
    head = segments[0]
    kind = (head.get(9), head.get(9, 2))
    if kind != ("ORU", "R01"):
        raise MessageError("message_type", _("Only result messages (ORU^R01) are taken here."))
    if head.get(12) not in VERSIONS:
        raise MessageError(
            "message_version", _("The message is not of HL7 version 2.5.1. Set the analyser to 2.5.1.")
        )
    if head.get(11) != "P":
        raise MessageError(
            "not_production", _("The message is marked as a test or training message; nothing is taken.")
        )
    observations = list(_observations(segments))
    if not observations:
        raise MessageError("no_results", _("The message holds no result."))
    return Message(head.get(3), head.get(10), tuple(observations))


def _segments(content: bytes) -> Iterator[Segment]:
    if not content.startswith(b"MSH") or len(content) < 9:
        raise MessageError("not_hl7", _("The message does not begin with an MSH segment."))
    marks = _marks(content[:8])
    text = _text(content, marks)
    rows = [row for row in text.replace("\r\n", "\r").replace("\n", "\r").split("\r") if row.strip()]
    if len(rows) > MOST_SEGMENTS:
        raise MessageError("too_many_segments", _("The message has more segments than any result needs."))
    for row in rows:
        parts = row.split(marks.part)
        if parts[0] == "MSH":
            parts.insert(1, marks.part)
        yield Segment(parts[0], parts, clean(row, LONGEST_TEXT), marks)


def _marks(start: bytes) -> Marks:
    told = start[3:8].decode("latin-1")
    if len(set(told)) != 5 or told.isalnum() or any(mark.isalnum() or mark.isspace() for mark in told):
        raise MessageError("delimiters", _("The message declares delimiters that cannot be told apart."))
    return Marks(told[0], told[1], told[2], told[3], told[4])


def _text(content: bytes, marks: Marks) -> str:
    head = content.split(b"\r", 1)[0].split(b"\n", 1)[0].decode("latin-1").split(marks.part)
    charset = head[17].split(marks.repeat)[0].strip().upper() if len(head) > 17 else ""
    if charset not in CHARSETS:
        raise MessageError(
            "charset", _("The character set of the message is not known here. Send UNICODE UTF-8.")
        )
    try:
        return content.decode(CHARSETS[charset])
    except UnicodeDecodeError:
        raise MessageError(
            "readings_encoding", _("The message is not in the character set it declares. Send UNICODE UTF-8.")
        ) from None


@dataclass(slots=True)
class _Open:
    """The order and specimen that the observations read so far belong to."""

    filler: str = ""
    specimens: list[str] = field(default_factory=list)
    waiting: list[tuple[Segment, list[str]]] = field(default_factory=list)


def _observations(segments: Sequence[Segment]) -> Iterator[Observation]:
    """Results in their order; SPM comes after the OBX it belongs to, so a group is closed by the next OBR or the end."""
    group = _Open()
    for segment in segments:
        if segment.name == "OBR":
            yield from _closed(group)
            group = _Open(filler=segment.get(3))
        elif segment.name == "OBX":
            group.waiting.append((segment, []))
        elif segment.name == "NTE" and group.waiting:
            group.waiting[-1][1].append(segment.get(3))
        elif segment.name == "SPM":
            group.specimens.append(segment.get(2) or segment.get(2, 2))
    yield from _closed(group)


def _closed(group: _Open) -> Iterator[Observation]:
    named = {one for one in [group.filler, *group.specimens] if one}
    for segment, notes in group.waiting:
        specimen = next(iter(group.specimens), "") or group.filler
        try:
            if len(named) > 1:
                raise MessageError(
                    "specimens_differ", _("The message names two specimens for one result. Look at the vial.")
                )
            yield _observation(segment, specimen, notes)
        except MessageError as error:
            yield Observation(segment.text, specimen, error=error)


def _observation(obx: Segment, specimen: str, notes: Sequence[str]) -> Observation:
    check_test(obx.get(3), obx.get(6))
    status = STATUSES.get(obx.get(11))
    if status is None:
        raise MessageError("status_unknown", _("The status of the result is none we know."))
    read_at = timestamp_iso(obx.get(19) or obx.get(14))
    common: dict[str, Any] = {
        "text": obx.text,
        "specimen": specimen,
        "read_at": read_at,
        "number": obx.get(4),
    }
    if status in (Status.CANNOT, Status.DELETED):
        words = " ".join(note for note in [obx.get(8), *notes] if note) or status.value
        return Observation(**common, flag=words[:40], status=status, unit=obx.get(6))
    value = _value(obx)
    says, flag = verdict_read(obx.get(8), value)
    return Observation(**common, value=value, unit=obx.get(6), flag=flag, status=status, says=says)


def _value(obx: Segment) -> str:
    kind = obx.get(2)
    if kind in ("NM", "ST"):
        return obx.get(5)
    if kind == "SN":
        comparator, number, separator = obx.get(5), obx.get(5, 2), obx.get(5, 3)
        if separator:
            raise MessageError(
                "reading_text", _("The result is a ratio or a range. Send one number, with < or > if needed.")
            )
        return number if comparator == "=" else comparator + number
    raise MessageError("value_type", _("The type of the value is none we take: send NM, SN or ST."))


def acknowledgement(content: bytes, code: str, words: str, control_id: str, at: str) -> bytes:
    """The ACK for a message: `AA` kept, `AE` something in it was refused, `AR` refused as a whole.

    `control_id` is the number of our answer, `at` its time (`YYYYMMDDHHMMSS`). It can be written for any bytes.
    """
    parts = content[:2_000].split(b"\r", 1)[0].decode("utf-8", "replace").split("|")
    if not content.startswith(b"MSH|^~\\&"):
        parts = []

    def sent(n: int) -> str:
        return clean(parts[n - 1]) if len(parts) > n - 1 else ""

    told = words.replace("\r", " ").replace("\n", " ")
    for mark, name in (("\\", "\\E\\"), ("|", "\\F\\"), ("^", "\\S\\"), ("&", "\\T\\"), ("~", "\\R\\")):
        told = told.replace(mark, name)
    head = [
        "MSH",
        "^~\\&",
        sent(5),
        sent(6),
        sent(3),
        sent(4),
        at,
        "",
        "ACK^R01^ACK",
        control_id,
        "P",
        "2.5.1",
    ]
    rows = ["|".join(head), f"MSA|{code}|{sent(10)}|{told}"]
    return ("\r".join(rows) + "\r").encode("utf-8")
