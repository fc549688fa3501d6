"""The maintained list of who is due: equal to the rule applied to everybody, and read from an index."""

import random
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from django.db import connection

from screening.eligibility import eligibility
from screening.models import Exclusion, Person, Round, Stop
from screening.services.due import (
    due_dates_refresh,
    due_dates_sweep,
    due_people_count,
    person_eligibility,
    person_facts,
    policy_facts,
)
from screening.services.policies import policy_on
from screening.services.register import register_apply, register_stage
from screening.services.register_lines import COLUMNS
from screening.services.rounds import (
    round_follow_up_concluded,
    rounds_close,
    rounds_reported_at_or_above,
    rounds_reported_below,
)
from staff import clock
from staff.acting import acting
from tests import cast, factories

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture
def random_people() -> int:
    """Four hundred people with random facts, rounds, stops and exclusions; the seed is fixed."""
    dice = random.Random(20260617)  # noqa: S311 - a repeatable population, not a secret
    by = cast.member(cast.ADMINISTRATOR)
    people = [
        Person(
            family_name=f"Tovel{n}", given_names="Marra", sex=dice.choice(["female", "male", "unknown"]),
            birth_date=None if dice.random() < 0.02 else date(dice.randint(1945, 1980), dice.randint(1, 12), dice.randint(1, 28)),
            address_1="" if dice.random() < 0.03 else "1 Mill Lane",
            deceased_on=date(2026, 3, 1) if dice.random() < 0.04 else None,
            left_area_on=date(2026, dice.randint(1, 12), 1) if dice.random() < 0.08 else None,
        )
        for n in range(400)
    ]  # fmt: skip
    Person.objects.bulk_create(people)
    for person in people:
        chance = dice.random()
        if chance < 0.5 and person.birth_date and not person.deceased_on:
            round_ = factories.a_round(
                person, state=dice.choice(["kit_due", "kit_out"]), sent_days_ago=dice.randint(1, 900)
            )
            if dice.random() < 0.8:
                reason = dice.choice(
                    ["not_returned", "declined", "postponed", "no_usable_sample", "moved_away"]
                )
                rounds_close(by=by, round_ids=[round_.pk], reason=reason)
    _dated_facts(dice, people)
    return len(people)


def _dated_facts(dice: random.Random, people: list[Person]) -> None:
    with acting(cast.member(cast.ADMINISTRATOR)):
        for person in dice.sample(people, 60):
            Stop.objects.create(
                person=person, scope=dice.choice(["invitations", "text"]), since=date(2026, 1, 1), source="phone",
                ended_on=dice.choice([None, date(2026, 4, 1)]),
            )  # fmt: skip
        for person in dice.sample(people, 80):
            kind = dice.choice(["postponed", "colectomy", "surveillance", "recent_colonoscopy"])
            until = dice.choice([None, date(2026, 2, 1), date(2027, 1, 1)])
            Exclusion.objects.create(
                person=person, kind=kind, since=date(2025, 9, 1), confirmed=dice.random() < 0.5,
                until=until or (date(2026, 12, 1) if kind == "postponed" else None),
            )  # fmt: skip


def by_the_rule(on: date) -> dict[int, date | None]:
    """The next date of everybody, from history alone."""
    rule = policy_facts(policy_on(on))
    ids = list(Person.objects.values_list("pk", flat=True))
    return {pk: eligibility(facts, rule, on).next_due_on for pk, facts in person_facts(ids, on=on).items()}


def test_the_maintained_list_equals_the_rule_applied_to_everybody(random_people: int) -> None:
    by = cast.member(cast.ADMINISTRATOR)
    due_dates_refresh(by=by)
    stored = dict(Person.objects.values_list("pk", "next_due_on"))
    assert stored == by_the_rule(TODAY)
    assert len(stored) == random_people
    for seldom in ("in_a_round", "opted_out", "died", "no_address", "in_surveillance", "above_age"):
        assert Person.objects.filter(not_due_code=seldom, next_due_on=None).exists(), seldom
    assert not Person.objects.filter(next_due_on=None, not_due_code="").exists()
    assert due_dates_refresh(by=by) == 0, "a second refresh writes nothing"


@pytest.mark.parametrize("days", [30, 120, 400])
def test_time_alone_takes_people_off_by_the_daily_sweep(random_people: int, days: int) -> None:
    by = cast.member(cast.ADMINISTRATOR)
    due_dates_refresh(by=by)
    later = TODAY + timedelta(days=days)
    with clock.at(clock.moment(later, 3)):
        due_dates_sweep(by=by)
        truth = {pk for pk, day in by_the_rule(later).items() if day and day <= later}
        assert set(Person.objects.filter(next_due_on__lte=later).values_list("pk", flat=True)) == truth
        assert due_people_count(later) == len(truth)


# Source: PostgreSQL's own plan; performance notes of the project: who is due is an index range read.
def test_finding_who_is_due_is_an_index_range_read() -> None:
    Person.objects.bulk_create(
        Person(
            family_name=f"Tovel{n}", given_names="Marra", address_1="x", birth_date=date(1960, 1, 1),
            next_due_on=TODAY + timedelta(days=n % 700 - 50),
        )
        for n in range(20_000)
    )  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(
            "EXPLAIN SELECT id FROM screening_person WHERE next_due_on <= %s ORDER BY next_due_on, id LIMIT 1000",
            [TODAY],
        )
        plan = "\n".join(line for (line,) in cursor.fetchall())
    assert "person_due_first" in plan
    assert "Seq Scan" not in plan


def test_each_way_a_round_ends_sets_the_date_by_the_rule() -> None:
    by = cast.member(cast.ADMINISTRATOR)
    back = factories.a_ready_return()
    assert rounds_reported_below(by=by, rows=[(back.kit.round_id, TODAY)]) == 1
    assert Person.objects.get(rounds=back.kit.round_id).next_due_on == date(2028, 6, 17)

    second = factories.a_ready_return().kit.round
    rounds_reported_at_or_above(by=by, round_ids=[second.pk], due_on=TODAY)
    person = Person.objects.get(rounds=second)
    assert (person.next_due_on, person.not_due_code) == (None, "under_investigation")
    round_follow_up_concluded(by=by, round=second, next_due_on=date(2029, 1, 10))
    person.refresh_from_db()
    assert person.next_due_on == date(2029, 1, 10)


# Source: ruling R9 of the programme's job description: after a referral only the signed next step counts.
def test_a_follow_up_signed_without_a_date_leaves_no_automatic_recall() -> None:
    by = cast.member(cast.ADMINISTRATOR)
    round_ = factories.a_ready_return().kit.round
    rounds_reported_at_or_above(by=by, round_ids=[round_.pk], due_on=TODAY)
    round_follow_up_concluded(by=by, round=round_, next_due_on=None)
    assert Person.objects.get(rounds=round_).next_due_on is None
    with clock.at(datetime(2029, 1, 1, 12, tzinfo=clock.zone())):
        assert person_eligibility(round_.person, on=date(2029, 1, 1)).code == "no_next_step"


def test_a_round_entered_in_error_counts_for_nothing() -> None:
    by = cast.member(cast.ADMINISTRATOR)
    round_ = factories.a_round(sent_days_ago=3)
    rounds_close(by=by, round_ids=[round_.pk], reason="entered_in_error")
    person = Person.objects.get(rounds=round_)
    assert person.next_due_on == date(2014, 3, 9), "never invited: due since the fiftieth birthday"
    assert Round.objects.filter(person=person, state="closed").count() == 1


def test_many_new_people_are_written_with_the_date_the_rule_gives() -> None:
    by = cast.member(cast.ADMINISTRATOR)
    lines = (FIXTURES / "register_500.csv").read_text().strip().split("\n")
    for at, (column, value) in enumerate(
        (
            ("deceased_on", "2026-01-05"), ("left_area_on", "2026-01-05"), ("left_area_on", "2031-01-05"), ("address_1", ""),
            ("birth_date", ""), ("birth_date", "1929-03-01"), ("birth_date", "1996-02-29"),
        ),
        start=1,
    ):  # fmt: skip
        fields = lines[at].split(",")
        fields[COLUMNS.index(column)] = value
        lines[at] = ",".join(fields)
    load = register_stage(by=by, content="\n".join(lines).encode(), file_name="first.csv")
    assert register_apply(by=by, load=load).created == 500
    at_once = sorted(Person.objects.values_list("pk", "next_due_on", "not_due_code"))
    assert len({code for _pk, _due, code in at_once}) > 5
    assert due_dates_refresh(by=by) == 0, "nothing is left to be computed"
    Person.objects.update(next_due_on=None, not_due_code="")
    due_dates_refresh(by=by)
    assert sorted(Person.objects.values_list("pk", "next_due_on", "not_due_code")) == at_once


def test_new_people_whose_history_follows_get_no_date_yet() -> None:
    by = cast.member(cast.ADMINISTRATOR)
    content = (FIXTURES / "register_500.csv").read_bytes()
    load = register_stage(by=by, content=content, file_name="first.csv")
    register_apply(by=by, load=load, history_follows=True)
    assert not Person.objects.exclude(next_due_on=None, not_due_code="").exists()
    assert due_dates_refresh(by=by) > 400
