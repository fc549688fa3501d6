"""Threads that work together: one makes what another sends."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager

SOON = 0.0002
"""Seconds after which a thread that is at work lets another one go on."""


@contextmanager
def threads_handing_over() -> Iterator[None]:
    """Inside the block a thread that only has to send waits for one that computes a fraction of a millisecond, not five."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SOON)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
