"""The contact ladder, the end of trying, and waits."""

import os
from datetime import date, timedelta
from itertools import product

import pytest
from django.conf import settings
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.referral_ladder import (
    Attempt,
    Channel,
    ClosingGap,
    LadderPolicy,
    NextStep,
    Step,
    WaitLevel,
    WaitPolicy,
    next_step,
    unreached_closing_gaps,
    waited,
)
from staff.working_days import is_working

if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
    settings.configure(USE_I18N=False)

patient = hypothesis_settings(deadline=None)
POLICY = LadderPolicy()
NONE: frozenset[date] = frozenset()
WED = date(2026, 6, 17)
FRI, SAT, SUN, MON = (date(2026, 6, day) for day in (19, 20, 21, 22))
days = st.dates(min_value=date(2025, 1, 1), max_value=date(2030, 12, 31))
closed_days = st.frozensets(st.dates(min_value=date(2025, 1, 1), max_value=date(2031, 12, 31)), max_size=30)


def test_the_whole_ladder() -> None:
    attempts: list[Attempt] = []
    seen: list[tuple[Step, date, bool]] = []
    for _ in range(7):
        step = next_step(attempts, WED, POLICY, NONE)
        assert step is not None
        seen.append((step.step, step.due_on, step.evening))
        if step.step is not Step.DECIDE:
            attempts.append(Attempt(step.due_on, Channel(step.step.value), by=1))
    assert seen == [
        (Step.CALL, WED, False),
        (Step.CALL, date(2026, 6, 18), False),
        (Step.CALL, MON, True),
        (Step.LETTER, MON, False),
        (Step.TRACKED_LETTER, date(2026, 6, 29), False),
        (Step.DOCTOR, date(2026, 7, 6), False),
        (Step.DECIDE, date(2026, 7, 8), False),
    ]


def test_the_evening_call_is_asked_for_once() -> None:
    made = [Attempt(WED, Channel.CALL, 1, evening=True), Attempt(date(2026, 6, 18), Channel.CALL, 1)]
    assert next_step(made, WED, POLICY, NONE) == NextStep(Step.CALL, MON, evening=False)


def test_a_late_call_never_doubles_up() -> None:
    late = [Attempt(MON, Channel.CALL, 1)]
    assert next_step(late, WED, POLICY, NONE) == NextStep(Step.CALL, date(2026, 6, 23))


def test_reached_ends_the_ladder() -> None:
    assert next_step([Attempt(WED, Channel.CALL, 1, reached=True)], WED, POLICY, NONE) is None


def test_more_calls_where_attempts_are_still_too_few() -> None:
    policy = LadderPolicy(calls_after_working_days=(0,), min_attempts=5)
    channels = (Channel.CALL, Channel.LETTER, Channel.TRACKED_LETTER, Channel.DOCTOR)
    made = [Attempt(WED + timedelta(days=7 * n), channel, 1) for n, channel in enumerate(channels)]
    assert next_step(made, WED, policy, NONE) == NextStep(Step.CALL, WED + timedelta(days=28))


def test_a_ladder_without_calls_begins_with_the_letter() -> None:
    assert next_step([], SAT, LadderPolicy(calls_after_working_days=()), NONE) == NextStep(Step.LETTER, MON)


attempts_st = st.lists(
    st.builds(Attempt, st.dates(WED, WED + timedelta(days=60)), st.sampled_from(Channel), st.integers(1, 3)),
    max_size=9,
)


@patient
@given(attempts_st, closed_days)
def test_there_is_always_a_next_working_day(attempts: list[Attempt], closed: frozenset[date]) -> None:
    step = next_step(attempts, WED, POLICY, closed)
    assert step is not None
    assert is_working(step.due_on, closed)
    assert step.due_on >= WED
    assert str(step.step.words)
    if step.step is Step.DECIDE:
        assert unreached_closing_gaps(attempts, step.due_on, POLICY, 1, 2) == []


FULL = [
    Attempt(WED, Channel.CALL, 1), Attempt(date(2026, 6, 18), Channel.CALL, 1), Attempt(MON, Channel.CALL, 1),
    Attempt(MON, Channel.LETTER, 1), Attempt(date(2026, 6, 29), Channel.TRACKED_LETTER, 1),
]  # fmt: skip


@pytest.mark.parametrize(
    ("attempts", "day", "agreed", "gaps"),
    [
        (FULL, 21, 2, []),
        (FULL, 20, 2, [ClosingGap.TOO_SHORT]),
        (FULL[:4], 21, 2, [ClosingGap.TOO_FEW_ATTEMPTS]),
        (FULL, 21, None, [ClosingGap.NO_SECOND_PERSON]),
        (FULL, 21, 1, [ClosingGap.NO_SECOND_PERSON]),
        ([Attempt(WED, Channel.CALL, 1)] * 5, 30, 2, [ClosingGap.ONE_CHANNEL]),
        ([*FULL, Attempt(FRI, Channel.CALL, 1, reached=True)], 30, 2, [ClosingGap.WAS_REACHED]),
        (FULL, 11, 2, [ClosingGap.TOO_FEW_ATTEMPTS, ClosingGap.TOO_SHORT]),
        ([], 400, None, [ClosingGap.TOO_FEW_ATTEMPTS, ClosingGap.TOO_SHORT, ClosingGap.ONE_CHANNEL,
                         ClosingGap.NO_SECOND_PERSON]),
    ],
)  # fmt: skip
def test_when_trying_may_end(
    attempts: list[Attempt], day: int, agreed: int | None, gaps: list[ClosingGap]
) -> None:
    assert unreached_closing_gaps(attempts, WED + timedelta(days=day), POLICY, 1, agreed) == gaps
    assert all(str(gap.sentence) for gap in gaps)


@pytest.mark.parametrize(
    ("n", "level"),
    [
        (0, WaitLevel.WITHIN_PROMISE), (31, WaitLevel.WITHIN_PROMISE), (32, WaitLevel.OVER_PROMISE),
        (59, WaitLevel.OVER_PROMISE), (60, WaitLevel.FIRST_ALARM), (89, WaitLevel.FIRST_ALARM),
        (90, WaitLevel.SECOND_ALARM), (179, WaitLevel.SECOND_ALARM), (180, WaitLevel.FAILURE),
        (900, WaitLevel.FAILURE),
    ],
)  # fmt: skip
def test_waits(n: int, level: WaitLevel) -> None:
    wait = waited(WED, WED + timedelta(days=n), WaitPolicy())
    assert (wait.days, wait.level) == (n, level)
    assert str(wait.sentence).startswith(f"{n} days, ")


def test_waits_in_words() -> None:
    assert str(waited(WED, WED + timedelta(days=1), WaitPolicy()).sentence) == "1 day, within the promise"
    with pytest.raises(ValueError, match="before it begins"):
        waited(WED, WED - timedelta(days=1), WaitPolicy())


def test_levels_never_fall_as_days_pass() -> None:
    levels = list(WaitLevel)
    waits = [levels.index(waited(WED, WED + timedelta(days=n), WaitPolicy()).level) for n in range(400)]
    assert waits == sorted(waits)


def test_every_step_has_words() -> None:
    assert all(str(step.words) and str(gap.sentence) for step, gap in product(Step, ClosingGap))
