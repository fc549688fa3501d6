"""Look-alikes told apart warn wherever people act, and a death under a number that was put away reaches the person.

Source: the programme's job description 2.1 (exceptions 1 to 4), ruling R14.
"""

from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from screening.models import Person, PossibleDuplicate
from screening.services.deaths import death_ask, death_decide
from screening.services.duplicates import duplicate_different, merge_ask, merge_decide
from screening.services.register import register_apply, register_stage
from screening.services.register_lines import COLUMNS
from staff.acting import acting
from staff.models import User
from tests import cast, factories
from tests.results.follow_up import a_referral
from tests.screening.intake import bench

TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]


@pytest.fixture
def by(region: object) -> User:
    return cast.member(cast.PHONE_DESK)


def put_together(kept: Person, gone: Person) -> None:
    asked = merge_ask(by=cast.member(cast.PHONE_DESK), kept=kept, merged=gone, why="one passport")
    merge_decide(by=cast.member(cast.COORDINATOR), merge=asked, agree=True)


# --- look-alikes where people act (job description 2.1, exception 2) ---------------------------------------------------


def told_apart(one: Person, two: Person) -> None:
    pair = PossibleDuplicate.objects.create(
        first=min(one, two, key=lambda p: p.pk), second=max(one, two, key=lambda p: p.pk), weight=9,
        found_on=TODAY, hold_until=TODAY,
    )  # fmt: skip
    duplicate_different(by=cast.member(cast.PHONE_DESK), pair=pair, note="twin sisters")


def test_a_look_alike_warns_at_the_bench_before_and_with_the_day(by: User) -> None:
    one, two = factories.a_person(given_names="Marra"), factories.a_person(given_names="Wenna")
    told_apart(one, two)
    kits = [bench.kit_of(factories.a_round(person)) for person in (one, two, factories.a_person())]
    shown = bench.scan(bench.a_session(), kits[0].serial)
    assert "easily taken for this person" in str(shown.remark)
    at_once = bench.scan(bench.a_session(), kits[1].serial, bench.day_of(2))
    assert "easily taken for this person" in str(at_once.remark)
    assert "easily taken" not in str(bench.scan(bench.a_session(), kits[2].serial).remark)


def test_a_look_alike_warns_at_the_referral(signed_in: SignIn) -> None:
    referral = a_referral()
    other = factories.a_person(given_names="Wenna", family_name="Tolvane")
    told_apart(referral.person, other)
    page = signed_in(cast.COORDINATOR).get(reverse("results:referral", args=[referral.pk]))
    assert "Look-alike: Wenna Tolvane" in page.text


# --- a death that comes under the number that was put away ----------------------------------------------------------------


def a_death_in_the_file(person: Person, day: str) -> None:
    facts = {c: str(getattr(person, c, "") or "") for c in COLUMNS} | {
        "person_number": person.identifiers.get().value, "deceased_on": day,
    }  # fmt: skip
    content = ",".join(COLUMNS) + "\n" + ",".join(facts[c] for c in COLUMNS) + "\n"
    load = register_stage(
        by=cast.member(cast.ADMINISTRATOR), content=content.encode(), file_name=f"{day}.csv"
    )
    register_apply(by=cast.member(cast.MANAGER), load=load, override_hold=True)


def test_a_death_for_a_number_that_was_merged_away_reaches_the_survivor(by: User) -> None:
    kept, gone = factories.a_person(), factories.a_person()
    put_together(kept, gone)
    round_ = factories.a_round(kept)
    a_death_in_the_file(gone, "2026-06-15")
    kept.refresh_from_db()
    round_.refresh_from_db()
    assert (kept.deceased_on, kept.next_due_on, kept.not_due_code) == (date(2026, 6, 15), None, "died")
    assert (round_.state, round_.close_reason) == ("closed", "died")


def test_a_death_that_two_people_took_back_stays_taken_back(by: User) -> None:
    kept, gone = factories.a_person(), factories.a_person()
    put_together(kept, gone)
    a_death_in_the_file(gone, "2026-06-15")
    kept.refresh_from_db()
    asked = death_ask(by=cast.member(cast.PHONE_DESK), person=kept, kind="lives", source="she rang")
    death_decide(by=cast.member(cast.COORDINATOR), question=asked, agree=True)
    gone.refresh_from_db()
    with acting(by):
        Person.objects.filter(pk=gone.pk).update(
            phone="020 555-0100"
        )  # so that the same line writes the record again
    a_death_in_the_file(gone, "2026-06-15")
    kept.refresh_from_db()
    assert kept.deceased_on is None
