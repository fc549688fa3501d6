"""How the tools speak to the person at the keyboard, and how they stop."""

import sys
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent


class StopError(Exception):
    """The command cannot go on; the text says why and what to do next."""


def say(text: str) -> None:
    print(text, flush=True)


def warn(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
