"""Protocols as dated proposals: refused by name, previewed on the real data, approved by another person, never reaching back.

Source: the programme's job description 2.2 (exception 10), 2.19 (exception 3), 5.9, section 10; rulings R12, R14; hazards H36
(a typing slip) and H37 (a change applied to the past).
"""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.urls import reverse

from outreach.models import OutreachPolicy
from outreach.services.policy import outreach_policy_on
from results.models import ResultsPolicy
from results.services.referrals_frame import results_policy_on
from screening.eligibility import PersonFacts, Ramp, ScreeningPolicyFacts, eligibility, joins_by_ramp_on
from screening.eligibility_words import EligibilityCode
from screening.models import Person, Protocol, Round
from screening.protocol_rules import RANGES, Neighbour, protocol_problems
from screening.services.due import due_dates_refresh
from screening.services.policies import policy_on
from screening.services.protocols import (
    protocol_approve,
    protocol_effect,
    protocol_propose,
    protocol_take_up,
    protocol_withdraw,
)
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User
from tests import cast, factories
from tests.conftest import NOON

SignIn = Callable[[str], Client]
TODAY = date(2026, 6, 17)
FIRST = date(2026, 7, 1)
region = pytest.mark.usefixtures("region")
IN_ORDER = {
    "age_from": 50, "age_to": 74, "ramp_days": 0, "interval_months": 24, "grace_days": 90, "closing_days": 90,
    "closing_days_after_replacement": 60, "max_replacements": 2, "kit_minimum_life_days": 120, "hold_working_days": 2,
    "scans_waiting": 25, "feed_change_percent": Decimal("0.5"), "feed_empty_percent": Decimal(5), "feed_alarm_days": 3,
    "feed_oldest_days": 7,
}  # fmt: skip
BEFORE = [Neighbour("Protocol 1", date(2023, 1, 1), None)]


def problems(
    valid_from: date = FIRST, others: list[Neighbour] = BEFORE, **values: object
) -> set[tuple[str, str]]:
    found = protocol_problems(
        IN_ORDER | values, valid_from=valid_from, today=TODAY, others=others, was_from=50, was_to=74
    )
    assert all(str(p.sentence) for p in found)
    return {(p.code, p.field) for p in found}


@pytest.mark.parametrize("field", sorted(RANGES))
def test_each_field_is_taken_at_its_ends_and_refused_beyond_them(field: str) -> None:
    least, most = RANGES[field]
    step = Decimal("0.01") if isinstance(least, Decimal) else 1
    for value, plausible in ((least, True), (most, True), (least - step, False), (most + step, False)):
        assert (("implausible", field) in problems(**{field: value})) is not plausible, value


# Source: hazard H36: "propose 2" where 20 was meant is refused by name; R12: a kit's life and its round.
@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, set()),
        ({"age_from": 5}, {("implausible", "age_from"), ("ramp_missing", "ramp_days")}),
        ({"age_from": 74}, {("band_empty", "age_to")}),
        ({"interval_months": 2}, {("implausible", "interval_months")}),
        ({"closing_days": 150}, {("kit_life_short", "kit_minimum_life_days")}),
        ({"feed_alarm_days": 9}, {("alarm_late", "feed_alarm_days")}),
        ({"age_from": 45}, {("ramp_missing", "ramp_days")}),
        ({"age_to": 79}, {("ramp_missing", "ramp_days")}),
        ({"age_from": 45, "ramp_days": 27}, {("ramp_missing", "ramp_days")}),
        ({"age_from": 45, "ramp_days": 28}, set()),
        ({"age_from": 49, "ramp_days": 366}, {("ramp_long", "ramp_days")}),
        ({"age_from": 55}, set()),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_refused_by_name(change: dict, expected: set) -> None:
    assert problems(**change) == expected


def test_the_words_for_ages_that_do_not_fit_say_what_to_do() -> None:
    found = protocol_problems(
        IN_ORDER | {"age_from": 75}, valid_from=FIRST, today=TODAY, others=BEFORE, was_from=50, was_to=74
    )
    assert [str(one.sentence) for one in found] == ["Give an oldest age above the youngest."]


@pytest.mark.parametrize(
    ("first", "others", "code"),
    [
        (TODAY, BEFORE, "begins_in_the_past"), (TODAY - timedelta(days=400), BEFORE, "begins_in_the_past"),
        (date(2031, 6, 18), BEFORE, "begins_far_ahead"), (date(9999, 12, 31), BEFORE, "begins_far_ahead"),
        (FIRST, [*BEFORE, Neighbour("Protocol 2", FIRST, None)], "overlap"),
        (FIRST, [Neighbour("Protocol 1", date(2023, 1, 1), None), Neighbour("Later", date(2027, 1, 1), None)], "overlap"),
        (FIRST, [Neighbour("Protocol 1", date(2023, 1, 1), date(2026, 6, 20))], "gap"), (FIRST, [], "gap"),
    ],
)  # fmt: skip
def test_overlaps_gaps_and_the_past_are_refused_by_name(
    first: date, others: list[Neighbour], code: str
) -> None:
    assert (code, "valid_from") in problems(first, others)


def test_a_change_may_begin_five_years_ahead() -> None:
    assert problems(date(2031, 6, 17)) == set()


# --- the ramp ------------------------------------------------------------------------------------------------------

WIDE = ScreeningPolicyFacts(age_from=45, age_to=79, ramp=Ramp(FIRST, 365, 50, 74))


def births(first: date, count: int, step: int) -> list[date]:
    return [first + timedelta(days=n * step) for n in range(count)]


@pytest.mark.parametrize(
    ("first", "last"), [(date(1976, 7, 2), date(1981, 7, 1)), (date(1946, 7, 2), date(1951, 7, 1))]
)
def test_a_widened_band_joins_evenly_over_the_ramp_the_oldest_first(first: date, last: date) -> None:
    new = births(first, (last - first).days + 1, 1)
    joined = [joins_by_ramp_on(birth, WIDE) for birth in new]
    assert None not in joined
    assert joined == sorted(joined), "the older, the sooner"
    assert FIRST <= min(joined) <= FIRST + timedelta(days=1)
    assert FIRST + timedelta(days=363) <= max(joined) <= FIRST + timedelta(days=365)
    a_day = [joined.count(day) for day in set(joined)]
    assert max(a_day) <= 7, "1,826 birth dates over 365 days: five a day"


@pytest.mark.parametrize(
    "birth", [date(1976, 7, 1), date(1951, 7, 2), date(1960, 1, 1), date(1981, 7, 2), date(1946, 7, 1)]
)
def test_the_ramp_is_for_nobody_else(birth: date) -> None:
    assert joins_by_ramp_on(birth, WIDE) is None


@pytest.mark.parametrize("birth", births(date(1976, 7, 2), 60, 30))
def test_nobody_joins_later_than_the_old_band_would_have_taken_her(birth: date) -> None:
    answer = eligibility(PersonFacts(birth_date=birth), WIDE, FIRST)
    old = eligibility(PersonFacts(birth_date=birth), ScreeningPolicyFacts(), FIRST)
    assert answer.next_due_on is not None
    assert answer.next_due_on <= old.next_due_on
    if not answer.due:
        assert answer.code is EligibilityCode.JOINS_BY_RAMP
        assert "when her turn comes" in str(answer.would_change)


def test_somebody_whose_interval_is_over_later_than_her_turn_waits_for_the_interval() -> None:
    facts = PersonFacts(birth_date=date(1950, 1, 1), last_invited_on=date(2026, 5, 1))
    assert eligibility(facts, WIDE, FIRST).code is EligibilityCode.NOT_YET_DUE


# --- proposals on the real data --------------------------------------------------------------------------------------


@pytest.fixture
def by() -> User:
    return cast.member(cast.ADMINISTRATOR)


def proposed(by: User, **values: object) -> Protocol:
    return protocol_propose(
        by=by, name="Protocol 2", valid_from=FIRST, reason="the board decided", values=values
    )


@pytest.fixture
def people(by: User) -> list[Person]:
    """Five people of 46 to 48, one of 60 invited a year ago, one of 62 who is due."""
    young = [
        factories.a_person(birth_date=date(1978, 1, 1) + timedelta(days=200 * n), next_due_on=None)
        for n in range(5)
    ]
    seen, due = factories.a_person(birth_date=date(1966, 1, 1)), factories.a_person()
    factories.a_round(seen, sent_days_ago=366)
    from screening.services.rounds import rounds_close

    rounds_close(by=by, round_ids=[Round.objects.get().pk], reason="not_returned")
    due_dates_refresh(by=by)
    return [*young, seen, due]


@region
def test_a_preview_counts_who_moves_and_writes_nothing_to_anybody(by: User, people: list[Person]) -> None:
    draft = proposed(by, age_from=45, ramp_days=90, interval_months=12)
    with connection.cursor() as cursor:
        cursor.execute("SELECT sum(xmin::text::bigint), count(*) FROM screening_person")
        rows = cursor.fetchone()
        effect = protocol_effect(by=by, protocol=draft)
        cursor.execute("SELECT sum(xmin::text::bigint), count(*) FROM screening_person")
        assert cursor.fetchone() == rows
    assert (effect.people, effect.newly, effect.no_longer) == (7, 0, 0)
    assert effect.earlier == 6, "five join before their fiftieth birthday, one is due after twelve months"
    assert (effect.due_before, effect.due_after) == (1, 2)
    assert sum(effect.months_after.values()) == 7
    assert {row[1] for row in effect.examples} == {p.pk for p in people[:6]}
    assert policy_on(FIRST).protocol.name == "Protocol 1", "a draft is not in force"


@region
def test_a_second_person_puts_it_in_force_on_its_day_and_not_before(by: User, people: list[Person]) -> None:
    draft = proposed(by, interval_months=12)
    with pytest.raises(IllegalMove) as unseen:
        protocol_approve(by=cast.member(cast.CLINICIAN), protocol=draft)
    assert unseen.value.code == "effect_not_seen"
    protocol_effect(by=by, protocol=draft)
    with pytest.raises(NotAllowed) as alone:
        protocol_approve(by=by, protocol=draft)
    assert alone.value.code == "second_person"
    done = protocol_approve(by=cast.member(cast.CLINICIAN), protocol=draft)
    assert Protocol.objects.get(name="Protocol 1").valid_to == FIRST == done.valid_from
    seen = people[5]
    before = Person.objects.get(pk=seen.pk).next_due_on
    assert protocol_take_up(by=by) >= 0
    assert Person.objects.get(pk=seen.pk).next_due_on == before, "not before its day"
    with clock.at(NOON + timedelta(days=14)):
        assert policy_on(clock.today()).protocol == done
        assert protocol_take_up(by=by) == 1
        assert protocol_take_up(by=by) == 0, "once"
        assert Person.objects.get(pk=seen.pk).next_due_on == date(2026, 6, 16)
    assert policy_on(FIRST - timedelta(days=1)).interval_months == 24


# Source: hazard H37: what was decided keeps the rule that decided it.
@region
def test_rounds_keep_their_protocol_and_other_parts_their_sections(by: User, people: list[Person]) -> None:
    round_ = factories.a_round(people[6])
    kept = (round_.protocol_id, round_.due_on)
    draft = proposed(by, closing_days=120)
    protocol_effect(by=by, protocol=draft)
    done = protocol_approve(by=cast.member(cast.MANAGER), protocol=draft)
    with clock.at(NOON + timedelta(days=14)):
        protocol_take_up(by=by)
        round_.refresh_from_db()
        assert (round_.protocol_id, round_.due_on) == kept
        assert outreach_policy_on(clock.today()).protocol == done
        assert OutreachPolicy.objects.get(protocol=done).no_landing_weekdays == [4, 5]
        assert results_policy_on(clock.today()).letter_hold_minutes == 0
        assert not ResultsPolicy.objects.filter(protocol=done).exists(), "found by its own dates"


@region
def test_a_draft_is_refused_again_at_approval_when_its_day_has_come(by: User) -> None:
    draft = proposed(by, grace_days=60)
    protocol_effect(by=by, protocol=draft)
    with clock.at(NOON + timedelta(days=20)), pytest.raises(RoundbookError) as late:
        protocol_approve(by=cast.member(cast.MANAGER), protocol=draft)
    assert [p.code for p in late.value.data["problems"]] == ["begins_in_the_past"]
    protocol_withdraw(by=by, protocol=draft)
    with pytest.raises(IllegalMove):
        protocol_approve(by=cast.member(cast.MANAGER), protocol=draft)


@region
def test_one_between_two_ends_where_the_later_one_begins(by: User) -> None:
    for name, day in (("Protocol 3", date(2027, 1, 1)), ("Protocol 2", FIRST)):
        draft = protocol_propose(by=by, name=name, valid_from=day, reason="x", values={"grace_days": 80})
        protocol_effect(by=by, protocol=draft)
        protocol_approve(by=cast.member(cast.MANAGER), protocol=draft)
    spans = list(Protocol.objects.order_by("valid_from").values_list("name", "valid_to"))
    assert spans == [("Protocol 1", FIRST), ("Protocol 2", date(2027, 1, 1)), ("Protocol 3", None)]


@region
def test_the_database_itself_refuses_two_protocols_in_force_and_one_approved_alone(by: User) -> None:
    other = cast.member(cast.MANAGER)
    with pytest.raises(IntegrityError, match="no_two_protocols_are_in_force"), transaction.atomic():
        Protocol.objects.create(
            name="x", valid_from=FIRST, proposed_by=by, approved_by=other, carries_screening=True
        )
    with pytest.raises(IntegrityError, match="protocol_approved_by_a_second_person"), transaction.atomic():
        Protocol.objects.create(name="x", valid_from=FIRST, proposed_by=by, approved_by=by)


@region
def test_a_change_is_proposed_looked_at_and_approved_from_the_pages(
    signed_in: SignIn, people: list[Person]
) -> None:
    client = signed_in(cast.ADMINISTRATOR)
    page = client.get(reverse("screening:protocols"))
    assert "In force today: Protocol 1" in page.text
    given = page.context["form"].initial | {
        "name": "Protocol 2",
        "valid_from": "2026-07-01",
        "reason": "board",
    }
    given["missing_date"] = "phone"
    slip = client.post(reverse("screening:protocols"), given | {"age_from": "5"})
    assert slip.status_code == 422
    assert "5 is not plausible here: 40 to 84 is." in slip.text
    sent = given | {"report_high_from_unfit": "on", "interval_months": "12"}
    draft = client.post(
        reverse("screening:protocols"), {k: v for k, v in sent.items() if v is not False}, follow=True
    )
    assert "What it would do on its first day" in draft.text
    assert "You proposed it, so somebody else approves it." in draft.text
    protocol = Protocol.objects.get(name="Protocol 2")
    assert (protocol.screening.report_high_from_unfit, protocol.screening.missing_date) == (True, "phone")
    at = reverse("screening:protocol-decide", args=[protocol.pk])
    assert "Somebody else than the one who proposed it" in client.post(at, follow=True).text
    done = signed_in(cast.CLINICIAN).post(at, follow=True)
    assert "Approved. It is in force from 1 July 2026." in done.text
    for name in (cast.PHONE_DESK, cast.FRONT_DESK, cast.LABORATORY):
        assert signed_in(name).get(reverse("screening:protocols")).status_code == 403


# A part changes its own section by a protocol of its own; neither undoes the other.
@region
def test_a_change_of_follow_up_and_a_change_of_screening_leave_each_other_alone(by: User) -> None:
    second = cast.member(cast.MANAGER)
    alone = Protocol.objects.create(
        name="Follow-up", valid_from=FIRST - timedelta(days=5), proposed_by=by, approved_by=second
    )
    ResultsPolicy.objects.create(protocol=alone, contact_days=5)
    draft = proposed(by, grace_days=80)
    protocol_effect(by=by, protocol=draft)
    protocol_approve(by=second, protocol=draft)
    later = Protocol.objects.create(
        name="Follow-up 2", valid_from=FIRST + timedelta(days=5), proposed_by=by, approved_by=second
    )
    ResultsPolicy.objects.create(protocol=later, contact_days=6)
    days = {n: results_policy_on(FIRST + timedelta(days=n)).contact_days for n in (-6, -5, 0, 5)}
    assert days == {-6: 7, -5: 5, 0: 5, 5: 6}
    assert [policy_on(FIRST + timedelta(days=n)).grace_days for n in (-1, 0, 9)] == [90, 80, 80]
