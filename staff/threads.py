"""Threads that work together: one makes what another sends."""

import os
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Protocol

SOON = 0.0002
"""Seconds after which a thread that is at work lets another one go on."""
ROOM = 2 * 1024 * 1024
"""So many bytes may be on their way: a part of a file."""


@contextmanager
def threads_handing_over() -> Iterator[None]:
    """Inside the block a thread that only has to send waits for one that computes a fraction of a millisecond, not five."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SOON)
    try:
        yield
    finally:
        sys.setswitchinterval(before)


class _Way(Protocol):
    def fileno(self) -> int: ...


def with_room(connection: _Way) -> None:
    """Let the system hold some more bytes on their way to a server on this machine, so that it need not wait for the next.

    As many as the system allows; where it allows none beyond its own choice, that stays.
    """
    with socket.socket(fileno=os.dup(connection.fileno())) as way, suppress(OSError):
        if way.family == socket.AF_UNIX:
            way.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, ROOM)
