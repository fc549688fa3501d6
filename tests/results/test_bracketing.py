"""Brackets: a reading is releasable only between complete controls in control; controls fall due in their rhythm."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.bracketing import (
    CLOCK_DOUBT,
    Bracket,
    ControlGroup,
    ReadWhen,
    Rhythm,
    bracket,
    next_controls,
    read_when,
)

EIGHT = datetime(2026, 6, 17, 8, tzinfo=UTC)


def at(minutes: int) -> datetime:
    return EIGHT + timedelta(minutes=minutes)


def group(minutes: int, *, good: bool = True, complete: bool = True) -> ControlGroup:
    return ControlGroup(at(minutes), complete, good)


def between(first: int, last: int) -> ReadWhen:
    return ReadWhen(at(first), at(last))


# Source: ruling R6 and job hazard H7 (controls before and after; all since the last good ones held).
@pytest.mark.parametrize(("read", "groups", "expected"), [
    (between(30, 30), [group(0), group(60)], Bracket.IN_CONTROL),
    (between(30, 30), [group(0)], Bracket.NONE_AFTER),
    (between(30, 30), [], Bracket.NONE_BEFORE),
    (between(30, 30), [group(60)], Bracket.NONE_BEFORE),
    (between(30, 30), [group(0), group(60, good=False)], Bracket.BROKEN),
    (between(30, 30), [group(0, good=False), group(60)], Bracket.BROKEN),
    (between(30, 30), [group(0), group(60), group(120, good=False)], Bracket.IN_CONTROL),
    (between(90, 90), [group(0), group(60), group(120, good=False)], Bracket.BROKEN),
    (between(50, 70), [group(0), group(60), group(120, good=False)], Bracket.BROKEN),
    (between(50, 70), [group(0), group(60), group(120)], Bracket.IN_CONTROL),
    (between(30, 30), [group(0), group(60, complete=False), group(120, good=False)], Bracket.BROKEN),
    (between(30, 30), [group(0), group(60, complete=False, good=False), group(120)], Bracket.BROKEN),
    (between(30, 30), [group(0), group(60, complete=False)], Bracket.NONE_AFTER),
    (between(30, 30), [group(0), group(60, complete=False, good=False)], Bracket.BROKEN),
    (between(60, 60), [group(0), group(60), group(120)], Bracket.IN_CONTROL),
    (between(60, 60), [group(0), group(60)], Bracket.NONE_AFTER),
    (between(0, 0), [group(0)], Bracket.NONE_AFTER),
])  # fmt: skip
def test_where_a_reading_stands(read: ReadWhen, groups: list[ControlGroup], expected: Bracket) -> None:
    assert bracket(read, groups) is expected
    assert bracket(read, groups[::-1]) is expected  # no two of one moment here
    assert str(expected.sentence)


groups_drawn = st.lists(
    st.builds(group, st.integers(0, 300), good=st.booleans(), complete=st.booleans()), max_size=8
)


def by_hand(read: ReadWhen, groups: Sequence[ControlGroup]) -> bool:
    """Written another way: walk along the controls, forgetting everything at each complete group before the reading."""
    state = "no control yet"
    for one in sorted(groups, key=lambda g: g.at):
        if one.complete and one.at <= read.earliest:
            state = "good so far" if one.in_control else "bad"
        elif state == "good so far" and not one.in_control:
            state = "bad"
        elif state == "good so far" and one.complete and one.at >= read.latest:
            return True
        if state == "bad" and one.at > read.earliest:
            return False
    return False


@hypothesis_settings(deadline=None, max_examples=400)
@given(st.integers(0, 300), st.integers(0, 40), groups_drawn)
def test_no_reading_is_released_with_a_broken_bracket(
    first: int, wide: int, groups: list[ControlGroup]
) -> None:
    read = between(first, first + wide)
    assert (bracket(read, groups) is Bracket.IN_CONTROL) == by_hand(read, groups)


@hypothesis_settings(deadline=None)
@given(st.integers(0, 300), st.integers(0, 40), groups_drawn, st.integers(0, 300))
def test_one_more_control_that_is_out_never_releases_anything(
    first: int, wide: int, groups: list[ControlGroup], minute: int
) -> None:
    read = between(first, first + wide)
    worse = [*groups, group(minute, good=False, complete=False)]
    assert bracket(read, groups) is Bracket.IN_CONTROL or bracket(read, worse) is not Bracket.IN_CONTROL


def test_when_a_reading_can_have_been_made() -> None:
    opened, ended, stored = at(0), at(240), at(200)
    assert read_when(at(100), stored, opened, ended) == ReadWhen(at(100) - CLOCK_DOUBT, at(100) + CLOCK_DOUBT)
    assert read_when(at(5), stored, opened, ended).earliest == opened
    assert read_when(at(195), stored, opened, ended).latest == stored
    assert read_when(stored, stored, opened, ended) == ReadWhen(opened, stored)
    assert read_when(at(-10), stored, opened) == ReadWhen(opened, at(5))
    assert read_when(at(-30), stored, opened) == ReadWhen(opened, opened)
    assert read_when(at(238), at(250), opened, ended).latest == ended


def test_controls_fall_due_after_samples_or_hours() -> None:
    # Source: job 2.8, "after every 100 samples or 4 h".
    left = next_controls(Rhythm(), 92, at(0), at(205))
    assert (left.samples, left.minutes, left.due) == (8, 35, False)
    assert next_controls(Rhythm(), 100, at(0), at(1)).due
    assert next_controls(Rhythm(), 0, at(0), at(240)).due
    assert not next_controls(Rhythm(), 99, at(0), at(239)).due
