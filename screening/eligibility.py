"""Whether a person is due on a day, the one reason why not, and the first day she could be; pure rules.

Precedence of the reasons, first that applies: (1) what ends or stops everything: died, merged, under
investigation, in a round, in surveillance, opted out, no birth date, no address; (2) what leaves no day
to be due at all: excluded for good, an exclusion waiting for its end, a death in error or in question to be
looked at, moved away, a follow-up closed without a next step, above the age band, last round done; (3) what
only postpones: excluded for a time, a death in error looked at just now, postponed, possible duplicate, too
young, joining by a ramp, interval not yet over. Source: the programme's own dated protocol; rulings R7 and R9;
published age bands and intervals differ by country.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.text import format_lazy

from screening.collection import date_in_words
from screening.eligibility_words import CHANGES, SENTENCES, EligibilityCode

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


DEATH_HOLD = "to_look_at"
"""The kind of the hold that waits for somebody to look at a death in error or in question; no medical reason."""


class Anchor(StrEnum):
    """What the interval is counted from."""

    RESULT_ELSE_INVITATION = "result_else_invitation"
    INVITATION = "invitation"


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A medical reason, or a hold, not to invite: from a day up to, not including, ``until``; confirmed without one:
    for good."""

    kind: str
    starts_on: date
    until: date | None
    confirmed: bool


@dataclass(frozen=True, slots=True)
class PersonFacts:
    """What the rule needs to know of a person. Every ``until`` is the first day on which it no longer
    holds.

    ``returns_to_screening_on`` is the date of the last signed next step after a referral, ``no_next_step`` says that
    the last referral was closed without one (ruling R9).
    """

    birth_date: date | None
    sex: str = "unknown"
    deceased_on: date | None = None
    left_area_on: date | None = None
    has_address: bool = True
    merged: bool = False
    opted_out_since: date | None = None
    exclusions: tuple[Exclusion, ...] = ()
    postponed_until: date | None = None
    open_round: bool = False
    open_referral: bool = False
    in_surveillance: bool = False
    no_next_step: bool = False
    last_invited_on: date | None = None
    last_result_on: date | None = None
    returns_to_screening_on: date | None = None
    possible_duplicate_hold_until: date | None = None


@dataclass(frozen=True, slots=True)
class Ramp:
    """A widened age band joins over so many days from a day on; ``was_from`` and ``was_to`` are the band before."""

    starts_on: date
    days: int
    was_from: int
    was_to: int


@dataclass(frozen=True, slots=True)
class ScreeningPolicyFacts:
    """The protocol's age band (inclusive, completed years on the planned invitation day), interval and
    grace."""

    age_from: int = 50
    age_to: int = 74
    interval_months: int = 24
    anchor: Anchor = Anchor.RESULT_ELSE_INVITATION
    grace_days: int = 90
    ramp: Ramp | None = None


@dataclass(frozen=True, slots=True)
class Eligibility:
    """Whether a person is due on a day, exactly one reason, and the first day of the due period, if there
    is one."""

    due: bool
    code: EligibilityCode
    next_due_on: date | None

    @property
    def sentence(self) -> StrOrPromise:
        """The reason in words, for the person's page: why she was not invited."""
        return SENTENCES[self.code]

    @property
    def would_change(self) -> StrOrPromise:
        """What would make her due, in words, with the date where there is one."""
        if self.next_due_on is not None and not self.due:
            return format_lazy(CHANGES[self.code], day=date_in_words(self.next_due_on, date.min))
        return CHANGES[self.code]


@dataclass(frozen=True, slots=True)
class _Hold:
    """A span in which a person is not due: from a day up to, not including, ``until`` (None: no end in
    sight)."""

    code: EligibilityCode
    starts_on: date
    until: date | None

    def covers(self, day: date) -> bool:
        return self.starts_on <= day and (self.until is None or day < self.until)


def add_months(day: date, months: int) -> date:
    """The same day so many months on (or back); the last day of the month where that month is shorter.

    Source: common practice, as in calendar arithmetic of most libraries. OverflowError outside years 1 to
    9999.
    """
    index = day.year * 12 + day.month - 1 + months
    year, month = index // 12, index % 12 + 1
    if not 1 <= year <= 9999:
        raise OverflowError("date out of range")
    return date(year, month, min(day.day, monthrange(year, month)[1]))


def age_on(birth_date: date, on: date) -> int:
    """Completed years on a day; someone born on 29 February turns on 1 March of a common year. Common
    practice."""
    return on.year - birth_date.year - ((on.month, on.day) < (birth_date.month, birth_date.day))


def reaches_age_on(birth_date: date, age: int) -> date:
    """The first day on which ``age_on`` is ``age``."""
    year = birth_date.year + age
    if (birth_date.month, birth_date.day) == (2, 29) and monthrange(year, 2)[1] == 28:
        return date(year, 3, 1)
    return birth_date.replace(year=year)


def interval_over_on(person: PersonFacts, policy: ScreeningPolicyFacts) -> date | None:
    """The day the interval since the last round is over; None for someone never invited nor measured.

    With the default anchor: the last round's result or, if it had none, its invitation, so the later of
    the two. After a referral only the signed next step counts, until a later invitation or result.
    Source: ruling R9.
    """
    invited, result = person.last_invited_on, person.last_result_on
    latest = max(invited, result) if invited is not None and result is not None else invited or result
    signed = person.returns_to_screening_on
    if signed is not None and (latest is None or latest < signed):
        return signed
    anchor = invited if policy.anchor is Anchor.INVITATION and invited is not None else latest
    return None if anchor is None else add_months(anchor, policy.interval_months)


def joins_by_ramp_on(birth_date: date, policy: ScreeningPolicyFacts) -> date | None:
    """The day somebody whom only the widened band takes in joins; None for everybody else.

    Spread evenly by birth date, who is nearest to leaving or to the old band first, so that nobody joins later than the
    old band would have taken her. Source: the programme's job description 2.2, exception 10 (a ramp, not one Monday).
    """
    ramp = policy.ramp
    if ramp is None or ramp.days < 1:
        return None
    age = age_on(birth_date, ramp.starts_on)
    if policy.age_from <= age < ramp.was_from:
        end, years = reaches_age_on(birth_date, ramp.was_from), ramp.was_from - policy.age_from
    elif ramp.was_to < age <= policy.age_to:
        end, years = reaches_age_on(birth_date, policy.age_to + 1), policy.age_to - ramp.was_to
    else:
        return None
    left, whole = (end - ramp.starts_on).days, add_months(ramp.starts_on, 12 * years) - ramp.starts_on
    return min(ramp.starts_on + timedelta(days=left * ramp.days // max(whole.days, 1)), end)


def next_due_on(person: PersonFacts, policy: ScreeningPolicyFacts, on: date) -> date | None:
    """The first day of the due period that holds or follows ``on`` if nothing changes; None if there is
    none.

    In the past for someone overdue, so that the longest overdue sort first. None while a round, referral or
    surveillance is open, and for every permanent reason.
    """
    return due_period(person, policy, on)[0]


def eligibility(person: PersonFacts, policy: ScreeningPolicyFacts, on: date) -> Eligibility:
    """Whether a person may be invited on ``on``, with exactly one reason; due if and only if
    ``next_due_on <= on``.

    Upper age: a due day inside the band is honoured up to ``grace_days`` after the band's last day.
    Never raises for any combination of facts. Source: see the module's first lines.
    """
    day, obstacle = due_period(person, policy, on)
    if day is None:
        return Eligibility(False, obstacle, None)
    if day <= on:
        return Eligibility(True, EligibilityCode.DUE, day)
    return Eligibility(False, _waiting_for(person, policy, on), day)


def due_period(
    person: PersonFacts, policy: ScreeningPolicyFacts, on: date
) -> tuple[date | None, EligibilityCode]:
    """The first day of the due period holding or following ``on``, or None and the reason why there is
    none."""
    stop = _standing_stop(person)
    if stop is not None or person.birth_date is None:
        return None, stop or EligibilityCode.NO_BIRTH_DATE
    young = reaches_age_on(person.birth_date, policy.age_from)
    joins = joins_by_ramp_on(person.birth_date, policy) if policy.ramp else None
    start = max(young, interval_over_on(person, policy) or young, joins or young)
    day, endless = _walk_past_holds(start, list(_holds(person)), on)
    if endless is not None:
        return None, endless
    if person.left_area_on is not None and max(day, on) >= person.left_area_on:
        return None, EligibilityCode.MOVED_AWAY
    if person.no_next_step:
        return None, EligibilityCode.NO_NEXT_STEP
    last_day = reaches_age_on(person.birth_date, policy.age_to + 1) - timedelta(days=1)
    if day > last_day or on > last_day + timedelta(days=policy.grace_days):
        return None, EligibilityCode.LAST_ROUND_DONE if on <= last_day else EligibilityCode.ABOVE_AGE
    return day, EligibilityCode.DUE


def _standing_stop(person: PersonFacts) -> EligibilityCode | None:
    """The first reason that holds whatever the day, in order of precedence; in plain steps, since it runs
    for all."""
    if person.deceased_on is not None:
        return EligibilityCode.DIED
    if person.merged:
        return EligibilityCode.MERGED
    if person.open_referral:
        return EligibilityCode.UNDER_INVESTIGATION
    if person.open_round:
        return EligibilityCode.IN_A_ROUND
    if person.in_surveillance:
        return EligibilityCode.IN_SURVEILLANCE
    if person.opted_out_since is not None:
        return EligibilityCode.OPTED_OUT
    if person.birth_date is None:
        return EligibilityCode.NO_BIRTH_DATE
    return None if person.has_address else EligibilityCode.NO_ADDRESS


def _holds(person: PersonFacts) -> Iterator[_Hold]:
    """The dated holds: exclusions, a postponement, a possible duplicate; in order of precedence."""
    for exclusion in person.exclusions:
        if exclusion.kind == DEATH_HOLD:
            ends = exclusion.until is not None
            code = EligibilityCode.DEATH_LOOKED_AT if ends else EligibilityCode.DEATH_TO_LOOK_AT
        elif exclusion.until is not None:
            code = EligibilityCode.EXCLUDED_FOR_NOW
        elif exclusion.confirmed:
            code = EligibilityCode.EXCLUDED_FOR_GOOD
        else:
            code = EligibilityCode.EXCLUSION_UNCONFIRMED
        yield _Hold(code, exclusion.starts_on, exclusion.until)
    if person.postponed_until is not None:
        yield _Hold(EligibilityCode.POSTPONED, date.min, person.postponed_until)
    if person.possible_duplicate_hold_until is not None:
        yield _Hold(EligibilityCode.POSSIBLE_DUPLICATE, date.min, person.possible_duplicate_hold_until)


def _walk_past_holds(start: date, holds: list[_Hold], on: date) -> tuple[date, EligibilityCode | None]:
    """The first day free of holds, at or after ``start``, of a free span that does not end before ``on``.

    With it None, or the code of a hold without end that swallows every later day.
    """
    day = start
    while holds:
        covering = [hold for hold in holds if hold.covers(day)]
        endless = [hold.code for hold in covering if hold.until is None]
        if endless:
            return day, min(endless, key=_ENDLESS_ORDER.index)
        ends = [hold.until for hold in covering if hold.until is not None]
        if ends:
            day = max(ends)
            continue
        next_hold = min(
            (hold.starts_on for hold in holds if hold.starts_on > day and _real(hold)), default=None
        )
        if next_hold is None or next_hold > on:
            return day, None
        day = next_hold
    return day, None


def _real(hold: _Hold) -> bool:
    """Whether a hold holds on any day at all."""
    return hold.until is None or hold.starts_on < hold.until


_ENDLESS_ORDER = (
    EligibilityCode.EXCLUDED_FOR_GOOD,
    EligibilityCode.EXCLUSION_UNCONFIRMED,
    EligibilityCode.DEATH_TO_LOOK_AT,
)


def _waiting_for(person: PersonFacts, policy: ScreeningPolicyFacts, on: date) -> EligibilityCode:
    """Which dated reason holds on ``on`` for someone who will be due later."""
    for hold in _holds(person):
        if hold.covers(on):
            return hold.code
    if person.birth_date is not None and age_on(person.birth_date, on) < policy.age_from:
        return EligibilityCode.TOO_YOUNG
    if policy.ramp is not None and person.birth_date is not None:
        joins, over = joins_by_ramp_on(person.birth_date, policy), interval_over_on(person, policy)
        if joins is not None and joins > on and (over is None or over <= joins):
            return EligibilityCode.JOINS_BY_RAMP
    return EligibilityCode.NOT_YET_DUE
