"""LIS1-A framing over a line: checksums, frame numbers, and the receiving side as a pure state machine.

ENQ opens a session; frames are STX number text ETX|ETB checksum CR LF; EOT ends it. ETB says that the record goes on in
the next frame. Numbers run 1…7, 0, 1…; the checksum is the sum of the bytes from the number through ETX or ETB, modulo
256, as two hexadecimal digits. Source: CLSI LIS1-A / ASTM E1381 (from memory; checksums calculated, standards 8.4).
"""

from collections.abc import Callable
from dataclasses import dataclass, field

ENQ, ACK, NAK, EOT, STX, ETX, ETB, CR, LF = 5, 6, 21, 4, 2, 3, 23, 13, 10
LARGEST_FRAME = 64_000
LARGEST = 4 * 1024 * 1024
MOST_BAD = 6
"""A frame refused so many times ends the session, as the sender's side of the standard does too."""


def checksum(body: bytes) -> bytes:
    """The two digits for the bytes from the frame number through ETX or ETB."""
    return f"{sum(body) % 256:02X}".encode("ascii")


def frames(records: bytes, *, size: int = 240) -> list[bytes]:
    """The frames that carry these records (each ending in CR), split where a record is longer than `size`."""
    out: list[bytes] = []
    for record in records.split(b"\r"):
        if not record:
            continue
        text = record + b"\r"
        pieces = [text[n : n + size] for n in range(0, len(text), size)]
        for nth, piece in enumerate(pieces):
            number = str((len(out) + 1) % 8).encode("ascii")
            body = number + piece + bytes([ETX if nth == len(pieces) - 1 else ETB])
            out.append(bytes([STX]) + body + checksum(body) + b"\r\n")
    return out


@dataclass(frozen=True, slots=True)
class Session:
    """What one session carried: its records' bytes; `trouble` names why it is not whole."""

    content: bytes
    trouble: str = ""


@dataclass(slots=True)
class Receiver:
    """The receiving side of one line: bytes in, answers and finished sessions out; memory is bounded.

    `keep` is asked to store a message as soon as its end record (L) is whole, before that frame is acknowledged; when it
    says no, the frame is refused and the sender sends it again. Without it messages come out at the end of the session.
    """

    largest: int = LARGEST
    keep: Callable[[bytes], bool] | None = None
    _open: bool = False
    _frame: bytearray = field(default_factory=bytearray)
    _in_frame: bool = False
    _text: bytearray = field(default_factory=bytearray)
    _last: int = 0
    _last_body: bytes = b""
    _bad: int = 0
    _trouble: str = ""

    def feed(self, data: bytes) -> tuple[bytes, list[Session]]:
        """(what to answer, the sessions these bytes ended)."""
        answer = bytearray()
        ended: list[Session] = []
        for byte in data:
            if self._in_frame:
                self._frame.append(byte)
                if byte == LF and self._frame[-2:-1] == b"\r" and self._closed():
                    answer.append(self._frame_end())
                elif byte == ENQ or len(self._frame) > LARGEST_FRAME + 7:
                    answer.append(self._frame_lost(byte))
            elif byte == ENQ:
                ended += self._begin()
                answer.append(ACK)
            elif byte == STX:
                self._in_frame = True
                self._frame.clear()
            elif byte == EOT:
                ended += self._end()
        return bytes(answer), ended

    def close(self) -> list[Session]:
        """What was left when the line went down: nothing after an enquiry alone or a session stored whole."""
        if self._in_frame and self._frame and not self._trouble:
            self._trouble = "cut_frame"
        if self._text and not self._trouble:
            self._trouble = "cut_session"
        return self._end()

    def _closed(self) -> bool:
        """Whether CR LF ends a frame here: ETX or ETB and two digits stand before it."""
        return len(self._frame) >= 6 and self._frame[-5] in (ETX, ETB)

    def _begin(self) -> list[Session]:
        """A new session; one that was never ended is given as cut."""
        left = []
        if self._open and (self._text or self._trouble):
            self._trouble = self._trouble or "cut_session"
            left = self._end()
        self._open, self._last, self._bad, self._trouble = True, 0, 0, ""
        self._last_body = b""
        return left

    def _end(self) -> list[Session]:
        content, trouble = bytes(self._text), self._trouble
        if self._in_frame and self._frame:
            content += bytes(self._frame)
        self._text.clear()
        self._frame.clear()
        self._open, self._in_frame, self._trouble = False, False, ""
        return [Session(content, trouble)] if content.strip() or trouble else []

    def _frame_end(self) -> int:
        self._in_frame = False
        body, digits = bytes(self._frame[:-4]), bytes(self._frame[-4:-2])
        if not self._open:
            self._open, self._trouble = True, "no_enquiry"
        if checksum(body) != digits.upper():
            return self._refuse("checksum")
        number = body[0] - ord("0")
        if body == self._last_body:
            return ACK
        if number != (self._last + 1) % 8:
            return self._refuse("frame_number")
        if len(self._text) + len(body) > self.largest:
            return self._refuse("too_large")
        self._text += body[1:-1]
        if body[-1] == ETX and self._message_ended() and not self._kept():
            del self._text[-len(body[1:-1]) :]
            return self._refuse("not_stored")
        self._last, self._bad, self._last_body = number, 0, body
        self._frame.clear()
        return ACK

    def _message_ended(self) -> bool:
        """Whether the last whole record is an end record."""
        last = bytes(self._text[-LARGEST_FRAME:]).rstrip(b"\r").rsplit(b"\r", 1)[-1]
        return last[:1] in (b"L", b"l")

    def _kept(self) -> bool:
        """Whether the message so far is stored elsewhere; nothing is to be stored without `keep` or when damaged."""
        if self.keep is None or self._trouble:
            return True
        if not self.keep(bytes(self._text)):
            return False
        self._text.clear()
        return True

    def _refuse(self, why: str) -> int:
        """NAK; a frame that stays bad marks the session and its bytes are kept with it."""
        self._bad += 1
        if self._bad >= MOST_BAD or why == "too_large":
            self._trouble = self._trouble or why
        self._frame.clear()
        return NAK

    def _frame_lost(self, byte: int) -> int:
        self._trouble = self._trouble or ("too_large" if byte != ENQ else "cut_frame")
        if byte == ENQ:
            self._text += self._frame[:-1]
        self._frame.clear()
        self._in_frame = False
        return NAK
