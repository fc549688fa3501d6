"""The log: a refused request is one line, a broken one keeps its traceback."""

import logging
import sys

import pytest

from config.logs import without_trace


def record(**said: object) -> logging.LogRecord:
    try:
        raise PermissionError("no")
    except PermissionError:
        made = logging.LogRecord("django.request", logging.WARNING, "", 0, "Forbidden", (), sys.exc_info())
    vars(made).update(said)
    return made


@pytest.mark.parametrize(
    ("said", "traced"), [({"status_code": 403}, False), ({"status_code": 500}, True), ({}, True)]
)
def test_only_what_broke_leaves_a_traceback(said: dict[str, object], traced: bool) -> None:
    one = record(**said)
    assert without_trace(one)
    assert (one.exc_info is not None) is traced
