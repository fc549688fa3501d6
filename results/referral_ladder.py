"""When to try next to reach a person, when trying may end, and how long a wait is too long; pure rules.

Sources: section 10 of the job for the defaults (calls, letters, doctor, minimum before closing; promise
and alarm days); ruling R14 for the second person; common practice for the order of channels. Local
protocol governs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext_lazy

from staff.working_days import working_days_after

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class Channel(StrEnum):
    """How a contact was attempted."""

    CALL = "call"
    LETTER = "letter"
    TRACKED_LETTER = "tracked_letter"
    DOCTOR = "doctor"
    TEXT = "text"
    EMAIL = "email"
    VISIT = "visit"


class Step(StrEnum):
    """What to do next to reach a person."""

    CALL = "call"
    LETTER = "letter"
    TRACKED_LETTER = "tracked_letter"
    DOCTOR = "doctor"
    DECIDE = "decide"

    @property
    def words(self) -> StrOrPromise:
        """The step in words."""
        return _STEP_WORDS[self]


_STEP_WORDS: dict[Step, StrOrPromise] = {
    Step.CALL: _("Call the person."),
    Step.LETTER: _("Send a letter asking the person to call."),
    Step.TRACKED_LETTER: _("Send a tracked letter."),
    Step.DOCTOR: _("Ask the person's doctor to help."),
    Step.DECIDE: _("Decide with a second person: keep trying, or close as could not be reached."),
}


@dataclass(frozen=True, slots=True)
class LadderPolicy:
    """The protocol's contact ladder: calls in working days from opening, the rest in days from the first
    letter."""

    calls_after_working_days: tuple[int, ...] = (0, 1, 3)
    tracked_after_days: int = 7
    doctor_after_days: int = 14
    min_attempts: int = 5
    min_days: int = 21
    min_channels: int = 2
    keep_trying_days: int = 7


@dataclass(frozen=True, slots=True)
class Attempt:
    """One contact attempt: its local date, channel, who made it, whether it was an evening, whether it
    reached her."""

    on: date
    channel: Channel
    by: int
    reached: bool = False
    evening: bool = False


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do next and on which working day; ``evening`` asks for a call after working hours."""

    step: Step
    due_on: date
    evening: bool = False


def next_step(
    attempts: Sequence[Attempt], opened_on: date, policy: LadderPolicy, non_working: frozenset[date]
) -> NextStep | None:
    """What to do next for a person at or above the cutoff who has not been reached, and when; None once
    reached.

    Calls at +0, +1 and +3 working days from ``opened_on`` (the day of authorisation), each on another day
    and one of them in the evening; a letter when the last call failed; a tracked letter 7 and the doctor
    14 days after the letter; from day 21 with five attempts a decision by two people, until then and
    after it further calls a week apart. A late attempt moves what follows, never makes two fall on one
    day. Dates are working days.
    """
    if any(attempt.reached for attempt in attempts):
        return None
    made = sorted(attempts, key=lambda attempt: attempt.on)
    calls = [attempt for attempt in made if attempt.channel is Channel.CALL]
    if len(calls) < len(policy.calls_after_working_days):
        planned = working_days_after(opened_on, policy.calls_after_working_days[len(calls)], non_working)
        due_on = _not_before(planned, calls, non_working)
        last = len(calls) + 1 == len(policy.calls_after_working_days)
        return NextStep(Step.CALL, due_on, last and not any(call.evening for call in calls))
    return _after_the_calls(made, opened_on, policy, non_working)


def _not_before(planned: date, calls: Sequence[Attempt], non_working: frozenset[date]) -> date:
    """The planned day or, if a call was made late, the working day after that call."""
    return max(planned, working_days_after(calls[-1].on, 1, non_working)) if calls else planned


def _after_the_calls(
    made: Sequence[Attempt], opened_on: date, policy: LadderPolicy, non_working: frozenset[date]
) -> NextStep:
    """The letter, the tracked letter, the doctor, then the decision or another call."""
    calls = [attempt for attempt in made if attempt.channel is Channel.CALL]
    letters = [attempt for attempt in made if attempt.channel is Channel.LETTER]
    if not letters:
        last_planned = calls[len(policy.calls_after_working_days) - 1].on if calls else opened_on
        return NextStep(Step.LETTER, working_days_after(last_planned, 0, non_working))
    sent = letters[0].on
    for channel, step, days in (
        (Channel.TRACKED_LETTER, Step.TRACKED_LETTER, policy.tracked_after_days),
        (Channel.DOCTOR, Step.DOCTOR, policy.doctor_after_days),
    ):
        if not any(attempt.channel is channel for attempt in made):
            return NextStep(step, working_days_after(sent + timedelta(days=days), 0, non_working))
    again = made[-1].on + timedelta(days=policy.keep_trying_days)
    if len(made) < policy.min_attempts:
        return NextStep(Step.CALL, working_days_after(again, 0, non_working))
    decide = max(made[0].on + timedelta(days=policy.min_days), made[-1].on + timedelta(days=1))
    return NextStep(Step.DECIDE, working_days_after(decide, 0, non_working))


class ClosingGap(StrEnum):
    """What is still missing before a referral may close as could not be reached."""

    WAS_REACHED = "was_reached"
    TOO_FEW_ATTEMPTS = "too_few_attempts"
    TOO_SHORT = "too_short"
    ONE_CHANNEL = "one_channel"
    NO_SECOND_PERSON = "no_second_person"

    @property
    def sentence(self) -> StrOrPromise:
        """What is missing, and what to do."""
        return _GAP_SENTENCES[self]


_GAP_SENTENCES: dict[ClosingGap, StrOrPromise] = {
    ClosingGap.WAS_REACHED: _("The person was reached: record what she wants instead."),
    ClosingGap.TOO_FEW_ATTEMPTS: _("There are too few attempts. Go on with the contact ladder."),
    ClosingGap.TOO_SHORT: _("Trying has not lasted long enough. Go on with the contact ladder."),
    ClosingGap.ONE_CHANNEL: _("Only one way was tried. Try another, such as a letter or the doctor."),
    ClosingGap.NO_SECOND_PERSON: _("A second person must agree. Ask a colleague to look at the attempts."),
}


def unreached_closing_gaps(
    attempts: Sequence[Attempt], on: date, policy: LadderPolicy, closed_by: int, agreed_by: int | None
) -> list[ClosingGap]:
    """What still forbids closing a referral as could not be reached on ``on``; empty when nothing does.

    At least 5 attempts, 21 days from the first attempt, two channels, and a second person (not the one
    who closes) who agrees. Attempts dated after ``on`` do not count. Source: the job's section 2.12 and
    ruling R14.
    """
    made = [attempt for attempt in attempts if attempt.on <= on]
    days = (on - min(attempt.on for attempt in made)).days if made else 0
    checks = (
        (any(attempt.reached for attempt in attempts), ClosingGap.WAS_REACHED),
        (len(made) < policy.min_attempts, ClosingGap.TOO_FEW_ATTEMPTS),
        (days < policy.min_days, ClosingGap.TOO_SHORT),
        (len({attempt.channel for attempt in made}) < policy.min_channels, ClosingGap.ONE_CHANNEL),
        (agreed_by is None or agreed_by == closed_by, ClosingGap.NO_SECOND_PERSON),
    )
    return [gap for applies, gap in checks if applies]


class WaitLevel(StrEnum):
    """How long a wait is, from within the promise to a failure."""

    WITHIN_PROMISE = "within_promise"
    OVER_PROMISE = "over_promise"
    FIRST_ALARM = "first_alarm"
    SECOND_ALARM = "second_alarm"
    FAILURE = "failure"


@dataclass(frozen=True, slots=True)
class WaitPolicy:
    """Days waited for the examination: the promise (its last day is kept) and the days on which alarms
    begin."""

    promise: int = 31
    first_alarm: int = 60
    second_alarm: int = 90
    failure: int = 180


@dataclass(frozen=True, slots=True)
class Wait:
    """A wait in days with its level and words."""

    days: int
    level: WaitLevel

    @property
    def sentence(self) -> StrOrPromise:
        """The wait in words: “32 days, over the promise”."""
        days = format_lazy(ngettext_lazy("{n} day", "{n} days", self.days), n=self.days)
        return format_lazy(_WAIT_WORDS[self.level], days=days)


_WAIT_WORDS: dict[WaitLevel, StrOrPromise] = {
    WaitLevel.WITHIN_PROMISE: _("{days}, within the promise"),
    WaitLevel.OVER_PROMISE: _("{days}, over the promise"),
    WaitLevel.FIRST_ALARM: _("{days}, far over the promise: find a date now"),
    WaitLevel.SECOND_ALARM: _("{days}, alarm: the manager finds a date today"),
    WaitLevel.FAILURE: _("{days}, the programme has failed this person: the medical lead takes over"),
}


def waited(since: date, on: date, policy: WaitPolicy) -> Wait:
    """How long someone has waited since authorisation, and how serious that is. The clock never stops.

    The promise holds up to and including its last day; an alarm begins on its day. ValueError if ``on``
    is before ``since``. Source: 31, 60, 90 and 180 days are the job's defaults; no significant rise in
    cancer risk is published for examinations within 9 to 10 months, a higher one beyond.
    """
    days = (on - since).days
    if days < 0:
        raise ValueError("a wait cannot end before it begins")
    if days >= policy.failure:
        level = WaitLevel.FAILURE
    elif days >= policy.second_alarm:
        level = WaitLevel.SECOND_ALARM
    elif days >= policy.first_alarm:
        level = WaitLevel.FIRST_ALARM
    else:
        level = WaitLevel.OVER_PROMISE if days > policy.promise else WaitLevel.WITHIN_PROMISE
    return Wait(days, level)
