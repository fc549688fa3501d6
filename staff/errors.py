"""Errors a person can read: a stable code, a sentence that says what to do next, and data."""

from typing import Any

NO_PROTOCOL = "no_protocol"
"""No approved protocol is in force: nothing can be decided, and pages say so instead of failing."""


class RoundbookError(Exception):
    """Something was refused; `code` is for programs and tests, `sentence` for people."""

    status = 422

    def __init__(self, code: str, sentence: object, **data: Any) -> None:
        super().__init__(str(sentence))
        self.code = code
        self.sentence = sentence
        self.data = data

    def __str__(self) -> str:
        return str(self.sentence)


class IllegalMove(RoundbookError):
    """The thing is not in a state from which this can happen (409)."""

    status = 409


class NotAllowed(RoundbookError):
    """This person may not do that (403)."""

    status = 403


class NotFound(RoundbookError):
    """There is no such thing, or none this person may know of (404)."""

    status = 404
