"""How a register file falls into lines, and which of them are known: the quick ways give what the plain ones give."""

from unittest import mock

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from screening.services import register_lines
from screening.services.register_lines import COLUMNS, SHORTEST_LINE, file_lines
from screening.services.register_memory import found_elsewhere, in_place
from staff.errors import RoundbookError

HEADER = ",".join(COLUMNS)
LONG = "x" * SHORTEST_LINE
PIECES = st.sampled_from(
    ["a", '"', ",", " ", "\t", "\n", "\r\n", "\r", "\x00", "\x0b", "\x0c", "\x1a", "\x85", "\u00a0", "\u2028", "é", " " * 50, LONG]
)  # fmt: skip
SAID = st.lists(st.integers(0, 12), max_size=14)


def plainly(text: str) -> list[tuple[int, str]]:
    """The lines below the header that are not blank, with their numbers; a last end of line may have been cut in half."""
    lines = text.removesuffix("\r").replace("\r\n", "\n").split("\n")
    return [(n, line) for n, line in enumerate(lines, start=1) if n > 1 and line.strip()]


@settings(max_examples=400, deadline=None)
@given(
    st.lists(PIECES, max_size=30).map("".join),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
    st.sampled_from([1, 7, 64, register_lines.PART]),
)
def test_lines_are_those_of_plain_splitting(body: str, end: str, mark: bool, part: int) -> None:
    text = HEADER + end + body
    content = (("\ufeff" if mark else "") + text).encode()
    expected = plainly(text)
    with mock.patch.object(register_lines, "PART", part):
        if expected:
            assert file_lines(content).rows() == expected
        else:
            with pytest.raises(RoundbookError, match="no line below it"):
                file_lines(content)


@settings(max_examples=400, deadline=None)
@given(SAID, st.lists(st.integers(0, 12), unique=True, max_size=12))
def test_lines_are_known_wherever_they_stand_unless_one_stands_twice(
    said: list[int], told: list[int]
) -> None:
    spoken, memory = pl.Series(said, dtype=pl.UInt64), pl.Series(told, dtype=pl.UInt64)
    same = in_place(spoken, memory)
    found = found_elsewhere(spoken.filter(~same), memory, same)
    expected = [n in told for n in said]
    again = len(said) != len(set(said))
    if found is None:
        assert again
        return
    known = same.scatter((~same).arg_true().filter(found), True)
    if not again:
        assert known.to_list() == expected
    else:  # the one in its own place is known, the same one elsewhere is read, and found to stand twice
        taken = [n for n, is_known in zip(said, known, strict=True) if is_known]
        assert len(taken) == len(set(taken))
        assert set(taken) <= set(told)
