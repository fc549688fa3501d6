"""Who is due and why not: a table of reasons, day by day, and properties over all facts."""

import os
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.conf import settings
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from screening.eligibility import (
    Anchor,
    Exclusion,
    PersonFacts,
    ScreeningPolicyFacts,
    add_months,
    age_on,
    eligibility,
    interval_over_on,
    next_due_on,
    reaches_age_on,
)
from screening.eligibility_words import CHANGES, SENTENCES, EligibilityCode

if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
    settings.configure(USE_I18N=False)

patient = hypothesis_settings(deadline=None, max_examples=300)
Code = EligibilityCode
ON = date(2026, 6, 17)
POLICY = ScreeningPolicyFacts()
NEW = PersonFacts(birth_date=date(1966, 1, 20), sex="female")
FIFTY = date(2016, 1, 20)


def excluded(starts: date, until: date | None, confirmed: bool = True) -> dict[str, Any]:
    return {"exclusions": (Exclusion("colectomy", starts, until, confirmed),)}


def death_hold(until: date | None) -> dict[str, Any]:
    return {"exclusions": (Exclusion("to_look_at", date(2026, 6, 17), until, False),)}


@pytest.mark.parametrize(
    ("change", "code", "due_on"),
    [
        ({}, Code.DUE, FIFTY),
        ({"sex": "unknown"}, Code.DUE, FIFTY),
        ({"deceased_on": date(2026, 6, 1)}, Code.DIED, None),
        ({"deceased_on": date(2027, 6, 1)}, Code.DIED, None),
        ({"merged": True}, Code.MERGED, None),
        ({"open_referral": True}, Code.UNDER_INVESTIGATION, None),
        ({"open_round": True}, Code.IN_A_ROUND, None),
        ({"in_surveillance": True}, Code.IN_SURVEILLANCE, None),
        ({"no_next_step": True}, Code.NO_NEXT_STEP, None),
        ({"no_next_step": True, "left_area_on": date(2026, 6, 17)}, Code.MOVED_AWAY, None),
        ({"opted_out_since": date(2020, 1, 1)}, Code.OPTED_OUT, None),
        ({"birth_date": None}, Code.NO_BIRTH_DATE, None),
        ({"has_address": False}, Code.NO_ADDRESS, None),
        (excluded(date(2020, 1, 1), None), Code.EXCLUDED_FOR_GOOD, None),
        (excluded(date(2026, 1, 1), None, confirmed=False), Code.EXCLUSION_UNCONFIRMED, None),
        (excluded(date(2026, 1, 1), date(2026, 7, 1)), Code.EXCLUDED_FOR_NOW, date(2026, 7, 1)),
        (excluded(date(2026, 1, 1), date(2026, 6, 18)), Code.EXCLUDED_FOR_NOW, date(2026, 6, 18)),
        (excluded(date(2026, 1, 1), ON), Code.DUE, ON),
        (excluded(date(2026, 1, 1), date(2026, 7, 1), confirmed=False), Code.EXCLUDED_FOR_NOW,
         date(2026, 7, 1)),
        (death_hold(None), Code.DEATH_TO_LOOK_AT, None),
        (death_hold(date(2026, 6, 18)), Code.DEATH_LOOKED_AT, date(2026, 6, 18)),
        (excluded(date(2026, 7, 1), None), Code.DUE, FIFTY),
        (excluded(date(2014, 1, 1), date(2018, 1, 1)), Code.DUE, date(2018, 1, 1)),
        ({"postponed_until": date(2026, 9, 1)}, Code.POSTPONED, date(2026, 9, 1)),
        ({"postponed_until": ON}, Code.DUE, ON),
        ({"possible_duplicate_hold_until": date(2026, 6, 20)}, Code.POSSIBLE_DUPLICATE, date(2026, 6, 20)),
        ({"left_area_on": date(2026, 6, 17)}, Code.MOVED_AWAY, None),
        ({"left_area_on": date(2026, 6, 18)}, Code.DUE, FIFTY),
        ({"last_result_on": date(2025, 6, 1), "left_area_on": date(2027, 1, 1)}, Code.MOVED_AWAY, None),
        ({"last_result_on": date(2024, 6, 17)}, Code.DUE, ON),
        ({"last_result_on": date(2024, 6, 18)}, Code.NOT_YET_DUE, date(2026, 6, 18)),
        ({"last_invited_on": date(2024, 8, 1)}, Code.NOT_YET_DUE, date(2026, 8, 1)),
        ({"last_invited_on": date(2024, 5, 1), "last_result_on": date(2024, 7, 1)}, Code.NOT_YET_DUE,
         date(2026, 7, 1)),
        ({"last_invited_on": date(2025, 5, 1), "last_result_on": date(2023, 7, 1)}, Code.NOT_YET_DUE,
         date(2027, 5, 1)),
        ({"last_result_on": date(2025, 6, 1), "returns_to_screening_on": date(2030, 6, 1)}, Code.NOT_YET_DUE,
         date(2030, 6, 1)),
        ({"last_result_on": date(2025, 6, 1), "returns_to_screening_on": date(2026, 6, 1)}, Code.DUE,
         date(2026, 6, 1)),
        ({"last_invited_on": date(2026, 6, 2), "returns_to_screening_on": date(2026, 6, 1)}, Code.NOT_YET_DUE,
         date(2028, 6, 2)),
        ({"birth_date": date(1976, 6, 17)}, Code.DUE, ON),
        ({"birth_date": date(1976, 6, 18)}, Code.TOO_YOUNG, date(2026, 6, 18)),
        ({"birth_date": date(1951, 6, 18)}, Code.DUE, date(2001, 6, 18)),
        ({"birth_date": date(1951, 6, 17)}, Code.DUE, date(2001, 6, 17)),  # 75 today: grace
        ({"birth_date": date(1951, 3, 20)}, Code.DUE, date(2001, 3, 20)),  # the 90th day of grace
        ({"birth_date": date(1951, 3, 19)}, Code.ABOVE_AGE, None),
        ({"birth_date": date(1951, 6, 1), "last_result_on": date(2024, 6, 10)}, Code.ABOVE_AGE, None),
        ({"birth_date": date(1951, 9, 1), "last_result_on": date(2025, 1, 1)}, Code.LAST_ROUND_DONE, None),
        ({"birth_date": date(1930, 1, 1)}, Code.ABOVE_AGE, None),
        ({"birth_date": date(2030, 1, 1)}, Code.TOO_YOUNG, date(2080, 1, 1)),
    ],
)  # fmt: skip
def test_one_reason(change: dict[str, Any], code: EligibilityCode, due_on: date | None) -> None:
    got = eligibility(replace(NEW, **change), POLICY, ON)
    assert (got.code, got.next_due_on, got.due) == (code, due_on, code is Code.DUE)
    assert str(got.sentence)
    assert "{" not in str(got.would_change)


PRECEDENCE: list[tuple[dict[str, Any], EligibilityCode]] = [
    ({"deceased_on": ON}, Code.DIED),
    ({"merged": True}, Code.MERGED),
    ({"open_referral": True}, Code.UNDER_INVESTIGATION),
    ({"open_round": True}, Code.IN_A_ROUND),
    ({"in_surveillance": True}, Code.IN_SURVEILLANCE),
    ({"opted_out_since": ON}, Code.OPTED_OUT),
    ({"has_address": False}, Code.NO_ADDRESS),
    (excluded(date(2020, 1, 1), None), Code.EXCLUDED_FOR_GOOD),
    ({"left_area_on": ON}, Code.MOVED_AWAY),
    ({"no_next_step": True}, Code.NO_NEXT_STEP),
    ({"postponed_until": date(2026, 9, 1)}, Code.POSTPONED),
    ({"possible_duplicate_hold_until": date(2026, 8, 1)}, Code.POSSIBLE_DUPLICATE),
    ({"last_result_on": ON}, Code.NOT_YET_DUE),
]


def test_the_first_of_several_reasons_is_given() -> None:
    for n, (change, code) in enumerate(PRECEDENCE):
        both = {
            key: value for later, _code in reversed(PRECEDENCE[n:]) for key, value in later.items()
        } | change
        assert eligibility(replace(NEW, **both), POLICY, ON).code is code


def test_a_permanent_reason_goes_before_a_passing_one() -> None:
    facts = replace(NEW, birth_date=date(1930, 1, 1), **excluded(date(2026, 1, 1), date(2026, 7, 1)))
    assert eligibility(facts, POLICY, ON).code is Code.ABOVE_AGE


def test_a_future_exclusion_splits_the_due_time() -> None:
    facts = replace(NEW, **excluded(date(2026, 7, 1), date(2026, 10, 1)))
    codes = {
        on: eligibility(facts, POLICY, on)
        for on in (ON, date(2026, 7, 1), date(2026, 9, 30), date(2026, 10, 1))
    }
    assert [got.due for got in codes.values()] == [True, False, False, True]
    assert [got.next_due_on for got in codes.values()] == [FIFTY, *[date(2026, 10, 1)] * 3]


def test_the_other_anchor() -> None:
    facts = replace(NEW, last_invited_on=date(2024, 5, 1), last_result_on=date(2024, 8, 1))
    by_invitation = replace(POLICY, anchor=Anchor.INVITATION)
    assert interval_over_on(facts, by_invitation) == date(2026, 5, 1)
    assert interval_over_on(replace(facts, last_invited_on=None), by_invitation) == date(2026, 8, 1)
    assert interval_over_on(NEW, POLICY) is None


def test_the_date_is_named_in_words() -> None:
    got = eligibility(replace(NEW, last_result_on=date(2024, 6, 18)), POLICY, ON)
    assert "18 June 2026" in str(got.would_change)


def test_an_opt_out_taken_back_makes_the_overdue_due_today() -> None:
    facts = replace(NEW, last_result_on=date(2020, 1, 1), opted_out_since=date(2021, 1, 1))
    assert not eligibility(facts, POLICY, ON).due
    assert eligibility(replace(facts, opted_out_since=None), POLICY, ON).due


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)), (date(2028, 1, 31), 1, date(2028, 2, 29)),
        (date(2024, 2, 29), 24, date(2026, 2, 28)), (date(2024, 2, 29), 48, date(2028, 2, 29)),
        (date(2026, 12, 15), 1, date(2027, 1, 15)), (date(2026, 1, 15), -1, date(2025, 12, 15)),
        (date(2026, 3, 31), -1, date(2026, 2, 28)), (date(2026, 5, 31), 0, date(2026, 5, 31)),
    ],
)  # fmt: skip
def test_add_months(day: date, months: int, expected: date) -> None:
    assert add_months(day, months) == expected


def test_add_months_out_of_range() -> None:
    with pytest.raises(OverflowError):
        add_months(date(9999, 12, 1), 1)


born = st.dates(min_value=date(1920, 1, 1), max_value=date(2000, 12, 31))
near = st.dates(min_value=date(2018, 1, 1), max_value=date(2034, 12, 31))
maybe = st.none() | near
exclusions = st.lists(st.builds(Exclusion, st.just("ibd"), near, maybe, st.booleans()), max_size=3).map(tuple)
rarely = st.sampled_from([False] * 7 + [True])
people = st.builds(
    PersonFacts,
    birth_date=st.none() | born,
    sex=st.sampled_from(["female", "male", "other", "unknown"]),
    deceased_on=st.sampled_from([None] * 7 + [ON]),
    left_area_on=maybe,
    has_address=rarely.map(lambda no: not no),
    merged=rarely,
    opted_out_since=st.sampled_from([None] * 7 + [ON]),
    exclusions=exclusions,
    postponed_until=maybe,
    open_round=rarely,
    open_referral=rarely,
    in_surveillance=rarely,
    no_next_step=rarely,
    last_invited_on=maybe,
    last_result_on=maybe,
    returns_to_screening_on=maybe,
    possible_duplicate_hold_until=maybe,
)
freer = st.builds(
    PersonFacts, birth_date=born, exclusions=exclusions, postponed_until=maybe, last_result_on=maybe
)


@patient
@given(people | freer, near)
def test_exactly_one_reason_and_due_if_and_only_if_the_date_has_come(person: PersonFacts, on: date) -> None:
    got = eligibility(person, POLICY, on)
    assert got.due == (got.code is Code.DUE) == (got.next_due_on is not None and got.next_due_on <= on)
    assert got.next_due_on == next_due_on(person, POLICY, on)
    assert str(got.would_change)


@patient
@given(people | freer, near)
def test_the_promised_day_comes(person: PersonFacts, on: date) -> None:
    promised = next_due_on(person, POLICY, on)
    if promised is not None and promised > on:
        assert eligibility(person, POLICY, promised).due
        assert not eligibility(person, POLICY, promised - timedelta(days=1)).due
        assert next_due_on(person, POLICY, promised - timedelta(days=1)) == promised


@patient
@given(people | freer, near)
def test_due_people_break_no_rule(person: PersonFacts, on: date) -> None:
    got = eligibility(person, POLICY, on)
    if not got.due or got.next_due_on is None:
        return
    assert person.birth_date is not None
    assert age_on(person.birth_date, on) >= POLICY.age_from
    assert age_on(person.birth_date, got.next_due_on) <= POLICY.age_to
    assert age_on(person.birth_date, on - timedelta(days=POLICY.grace_days)) <= POLICY.age_to
    assert person.left_area_on is None or on < person.left_area_on
    assert not (person.open_round)
    assert not (person.open_referral)
    assert not (person.in_surveillance)
    assert not (person.no_next_step)
    assert not (person.merged)
    assert not any(e.starts_on <= on and (e.until is None or on < e.until) for e in person.exclusions)
    assert all(
        day is None or day <= on for day in (person.postponed_until, person.possible_duplicate_hold_until)
    )


@patient
@given(freer, near, st.integers(1, 400))
def test_waiting_never_undoes_being_due(person: PersonFacts, on: date, wait: int) -> None:
    later = on + timedelta(days=wait)
    quiet = replace(person, exclusions=tuple(e for e in person.exclusions if e.starts_on <= on))
    first, then = eligibility(quiet, POLICY, on), eligibility(quiet, POLICY, later)
    assert not first.due or then.due or then.code is Code.ABOVE_AGE


@patient
@given(freer, near, near)
def test_one_more_hold_never_makes_anyone_due(person: PersonFacts, on: date, until: date) -> None:
    held = replace(person, possible_duplicate_hold_until=until)
    assert eligibility(person, POLICY, on).due or not eligibility(held, POLICY, on).due


@patient
@given(born, st.integers(0, 100))
def test_ages_and_birthdays_agree(birth: date, age: int) -> None:
    day = reaches_age_on(birth, age)
    assert age_on(birth, day) == age
    assert age_on(birth, day - timedelta(days=1)) == age - 1


def test_every_code_has_its_words() -> None:
    assert set(SENTENCES) == set(CHANGES) == set(EligibilityCode)
