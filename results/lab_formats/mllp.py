"""The minimal lower layer of HL7: cutting a stream of bytes into messages, with bounded memory; pure.

A message stands between 0x0B and 0x1C 0x0D. Source: HL7 v2 transport specification, MLLP (from memory).
"""

from dataclasses import dataclass, field

START, END = b"\x0b", b"\x1c\x0d"
LARGEST = 4 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Cut:
    """One message, or what stood where one should be; `trouble` names what was wrong with its frame."""

    content: bytes
    trouble: str = ""


@dataclass(slots=True)
class Splitter:
    """Collects bytes and gives messages; a message over `largest` is given cut short, once, and skipped to its end."""

    largest: int = LARGEST
    _kept: bytearray = field(default_factory=bytearray)
    _skipping: bool = False

    def feed(self, data: bytes) -> list[Cut]:
        """The messages that these bytes complete."""
        self._kept += data
        found: list[Cut] = []
        while True:
            end = self._kept.find(END)
            if end < 0:
                if len(self._kept) > self.largest:
                    if not self._skipping:
                        found.append(Cut(bytes(self._kept[: self.largest]).lstrip(START), "too_large"))
                    self._skipping = True
                    del self._kept[:-1]
                return found
            block = bytes(self._kept[:end])
            del self._kept[: end + len(END)]
            if self._skipping:
                self._skipping = False
                continue
            found += self._frames(block)

    def _frames(self, block: bytes) -> list[Cut]:
        """What stood before the end mark: the last start mark begins the message, anything before it is a stray."""
        stray, mark, content = block.rpartition(START)
        found = [Cut(piece, "cut_frame") for piece in stray.split(START) if piece.strip()]
        if not mark:
            return [Cut(block, "cut_frame")] if block.strip() else []
        return [*found, Cut(content)]

    def close(self) -> list[Cut]:
        """What was left when the line went down: a message without its end."""
        left = bytes(self._kept).lstrip(START)
        self._kept.clear()
        if self._skipping or not left.strip():
            return []
        return [Cut(left, "cut_frame")]


def framed(content: bytes) -> bytes:
    """A message in its frame."""
    return START + content + END
