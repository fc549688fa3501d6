"""How the tools speak to the person at the keyboard, and how they stop."""

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

PROJECT = Path(__file__).resolve().parent.parent


class StopError(Exception):
    """The command cannot go on; the text says why and what to do next."""


def say(text: str) -> None:
    print(text, flush=True)


def warn(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def as_program(main: Callable[[Sequence[str]], int]) -> NoReturn:
    """Run `main` with the command line's words in the project's folder and end with its status; a StopError is said and ends with 1."""
    os.chdir(PROJECT)
    try:
        sys.exit(main(sys.argv[1:]))
    except StopError as trouble:
        warn(str(trouble))
        sys.exit(1)
