"""A readings file of any documented format as lines for judging: CSV, HL7 messages, LIS2 records bare or framed; pure."""

from collections.abc import Callable, Iterable, Iterator
from typing import Literal

from django.utils.translation import gettext_lazy as _

from results.lab_formats import csv_readings, hl7_oru, lis1_frames, lis2_records
from results.lab_formats.csv_readings import RawLine
from results.lab_formats.observations import LONGEST_TEXT, Message, MessageError, raw_lines

Format = Literal["csv", "hl7", "lis2"]
TROUBLES = {
    "too_large": _("The message was longer than any result needs and was kept cut short. Send fewer results at once."),
    "cut_frame": _("Part of the message is missing or stands outside its frame. Send it again."),
    "cut_session": _("The line went down before the message ended. Send it again."),
    "checksum": _("A frame arrived damaged each time it was sent. Check the cable, then send the message again."),
    "frame_number": _("Frames of the message are missing or out of order. Send it again."),
    "not_stored": _("The message could not be stored when it came. Send it again."),
    "no_enquiry": _("The message began without asking for the line first. Send it again."),
}  # fmt: skip


def format_of(content: bytes) -> Format:
    """Which format a content is written in, by how it begins; anything not known is CSV, whose header is checked."""
    start = content.lstrip(b"\xef\xbb\xbf \t\r\n\x0b")[:4]
    if start[:3] in (b"MSH", b"FHS", b"BHS"):
        return "hl7"
    framed = start[:1] in (b"\x05", b"\x02")
    records = start[:1] == b"H" and len(start) > 3 and not any(chr(b).isalnum() for b in start[1:4])
    return "lis2" if framed or records else "csv"


def file_lines(content: bytes) -> list[RawLine]:
    """The lines of a file; ReadingsFileError only for CSV that is not of the documented format."""
    kind = format_of(content)
    if kind == "csv":
        return csv_readings.lines_read(content)
    content = content.removeprefix(b"\xef\xbb\xbf")
    if kind == "hl7":
        return list(raw_lines(_each(hl7_oru.messages_split(content), hl7_oru.message_read)))
    return list(raw_lines(_lis2(content)))


def message_lines(kind: Literal["hl7", "lis2"], content: bytes, trouble: str = "") -> tuple[Message | None, list[RawLine]]:  # fmt: skip
    """(the message if it could be read, its lines) of one message from a line; `trouble` from its frame refuses it."""
    if trouble:
        return None, list(raw_lines([(_shown(content), MessageError(trouble, TROUBLES[trouble]))]))
    read = hl7_oru.message_read if kind == "hl7" else lis2_records.message_read
    found = _one(content, read)
    return (found if isinstance(found, Message) else None), list(raw_lines([found]))


Read = Callable[[bytes], Message]


def _one(content: bytes, read: Read) -> Message | tuple[str, MessageError]:
    try:
        return read(content)
    except MessageError as error:
        return _shown(content), error


def _each(contents: Iterable[bytes], read: Read) -> Iterator[Message | tuple[str, MessageError]]:
    return (_one(content, read) for content in contents)


def _lis2(content: bytes) -> Iterator[Message | tuple[str, MessageError]]:
    if content.lstrip()[:1] not in (b"\x05", b"\x02"):
        yield from _each(lis2_records.messages_split(content), lis2_records.message_read)
        return
    receiver = lis1_frames.Receiver()
    _answer, sessions = receiver.feed(content)
    for session in [*sessions, *receiver.close()]:
        whole = session.trouble == "" or (
            session.trouble in ("no_enquiry", "cut_session") and session.content
        )
        if whole:
            yield from _each(lis2_records.messages_split(session.content), lis2_records.message_read)
        else:
            yield _shown(session.content), MessageError(session.trouble, TROUBLES[session.trouble])


def _shown(content: bytes) -> str:
    """The beginning of a refused message as text."""
    return content[:LONGEST_TEXT].decode("utf-8", "replace").replace("\x00", "\ufffd").replace("\r", "\n")
