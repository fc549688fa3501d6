"""Listening to analysers over TCP: one thread a line, messages handed to the inbox, answers sent back."""

import socketserver
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass

from django.db import DatabaseError, InterfaceError, close_old_connections

from results.lab_formats import hl7_oru, lis1_frames, mllp
from results.lab_formats.lis2_records import messages_split
from results.models import Analyser, InboxMessage
from results.services.messages import message_receive
from staff import clock
from staff.errors import RoundbookError
from staff.models import User

CHUNK = 65_536
IDLE_SECONDS = 600
MOST_LINES = 16
CODES = {
    InboxMessage.Verdict.MATCHED: "AA",
    InboxMessage.Verdict.WAITING: "AA",
    InboxMessage.Verdict.REFUSED: "AE",
}


@dataclass(frozen=True)
class Desk:
    """Who takes messages in, for which analyser (none: the message says), and who is told about each."""

    by: User
    analyser: Analyser | None
    told: Callable[[InboxMessage], None]

    def take(self, channel: str, content: bytes, trouble: str = "") -> InboxMessage:
        """Keep one message; raises DatabaseError when it could not be kept, so that it is not acknowledged."""
        row = message_receive(
            by=self.by, channel=channel, content=content, analyser=self.analyser, trouble=trouble
        )
        self.told(row)
        return row


class Line(socketserver.BaseRequestHandler, ABC):
    """One connection; ends by itself when idle."""

    server: "Listener"

    def handle(self) -> None:
        """Read until the line goes down, then keep what was left."""
        if not self.server.places.acquire(blocking=False):
            return
        try:
            self.request.settimeout(IDLE_SECONDS)
            while data := self._received():
                self.request.sendall(self.answer(data))
        except (OSError, DatabaseError, InterfaceError, RoundbookError):
            self.server.failures += 1
        finally:
            try:
                self.left()
            finally:
                self.server.places.release()
                close_old_connections()

    def _received(self) -> bytes:
        try:
            data: bytes = self.request.recv(CHUNK)
        except TimeoutError:
            return b""
        return data

    @abstractmethod
    def answer(self, data: bytes) -> bytes:
        """What to send back for these bytes."""

    @abstractmethod
    def left(self) -> None:
        """Keep what was received without its end."""


class MllpLine(Line):
    """HL7: every message gets its ACK, after it is kept."""

    def setup(self) -> None:
        """One splitter a line."""
        self.splitter = mllp.Splitter()

    def answer(self, data: bytes) -> bytes:
        """The acknowledgements of the messages these bytes complete."""
        out = b""
        for cut in self.splitter.feed(data):
            row = self.server.desk.take(InboxMessage.Channel.MLLP, cut.content, cut.trouble)
            refused_whole = row.verdict == InboxMessage.Verdict.REFUSED and row.file_id is None
            code = "AR" if refused_whole else CODES[InboxMessage.Verdict(row.verdict)]
            at = clock.now().astimezone(clock.zone()).strftime("%Y%m%d%H%M%S")
            out += mllp.framed(
                hl7_oru.acknowledgement(cut.content, code, row.sentence, f"RB{row.pk}.{row.times}", at)
            )
        return out

    def left(self) -> None:
        """A message without its end."""
        for cut in self.splitter.close():
            self.server.desk.take(InboxMessage.Channel.MLLP, cut.content, cut.trouble)


class Lis1Line(Line):
    """LIS2: frames are acknowledged one by one; a message is kept before the frame with its end record is."""

    def setup(self) -> None:
        """One receiver a line."""
        self.receiver = lis1_frames.Receiver(keep=self.stored)

    def stored(self, content: bytes) -> bool:
        """Whether a whole message is kept; if not, its last frame is refused and sent again."""
        try:
            self.keep(lis1_frames.Session(content))
        except (DatabaseError, InterfaceError, RoundbookError):
            self.server.failures += 1
            close_old_connections()
            return False
        return True

    def answer(self, data: bytes) -> bytes:
        """ACK and NAK for the frames in these bytes."""
        out, sessions = self.receiver.feed(data)
        for session in sessions:
            self.keep(session)
        return out

    def keep(self, session: lis1_frames.Session) -> None:
        """Keep the messages of one session."""
        parts = [session.content] if session.trouble else messages_split(session.content)
        for part in parts:
            self.server.desk.take(InboxMessage.Channel.LIS1, part, session.trouble)

    def left(self) -> None:
        """A session without its end."""
        for session in self.receiver.close():
            self.keep(session)


class Listener(socketserver.ThreadingTCPServer):
    """A listener on one port; `server_address` tells the port when 0 was asked for."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, address: tuple[str, int], line: type[Line], desk: Desk) -> None:
        self.desk = desk
        self.failures = 0
        self.places = threading.BoundedSemaphore(MOST_LINES)
        super().__init__(address, line)
