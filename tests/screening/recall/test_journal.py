"""The access journal's page: who opened whom, when and why; for the auditor alone, without a name of anybody in the register.

Source: the programme's job description, section 9 (every look is journalled and can be audited; least privilege by task).
"""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from screening.access import person_open
from screening.models import Person
from screening.services.journal import journal_entries
from staff import clock
from staff.errors import NotAllowed
from staff.models import AccessEntry
from tests import cast, factories
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]
AT = reverse("screening:journal")


@pytest.fixture
def looked() -> tuple[Person, Person]:
    """Two people: one opened by phone desk and coordinator on two days, one by the phone desk ten days ago."""
    one, other = factories.a_person(), factories.a_person()
    for name, person, days, purpose in (
        (cast.PHONE_DESK, one, 0, "call"), (cast.COORDINATOR, one, 2, "worklist"), (cast.PHONE_DESK, other, 10, "check"),
    ):  # fmt: skip
        with clock.at(NOON - timedelta(days=days)):
            person_open(by=cast.member(name), person_id=person.pk, purpose=purpose, place="screening:person")
    return one, other


def numbers(page: object) -> list[tuple[str, int]]:
    return [(look.username, look.person_id) for look in page.context["looks"]]


def test_the_last_seven_days_are_shown_newest_first_without_a_name(signed_in: SignIn, looked: tuple) -> None:
    one, other = looked
    page = signed_in(cast.AUDITOR).get(AT)
    assert numbers(page) == [(cast.PHONE_DESK, one.pk), (cast.COORDINATOR, one.pk)]
    assert "The person or their doctor called" in page.text
    for person in (one, other):
        assert person.family_name not in page.text
        assert str(person.birth_date) not in page.text
    number = one.identifiers.get().value
    assert f"{number[:4]} {number[4:8]} {number[8:]}" in page.text


def test_it_is_filtered_by_user_day_purpose_and_record(signed_in: SignIn, looked: tuple) -> None:
    one, other = looked
    client = signed_in(cast.AUDITOR)
    junia = cast.member(cast.PHONE_DESK).pk
    assert numbers(client.get(AT, {"user": junia})) == [(cast.PHONE_DESK, one.pk)]
    wide = {"from": "2026-06-01", "to": "2026-06-30"}
    assert numbers(client.get(AT, wide | {"user": junia})) == [
        (cast.PHONE_DESK, one.pk),
        (cast.PHONE_DESK, other.pk),
    ]
    assert numbers(client.get(AT, {"from": "2026-06-07", "to": "2026-06-07"})) == [
        (cast.PHONE_DESK, other.pk)
    ]
    assert numbers(client.get(AT, wide | {"purpose": "worklist"})) == [(cast.COORDINATOR, one.pk)]
    asked = [(cast.AUDITOR, other.pk), (cast.PHONE_DESK, other.pk)]
    assert numbers(client.get(AT, wide | {"record": other.pk})) == asked, "the question itself is on the list"
    backwards = client.get(AT, {"from": "2026-06-07", "to": "2026-06-01"})
    assert (backwards.status_code, "The last day lies before the first." in backwards.text) == (422, True)
    assert client.get(AT, {"user": "nobody"}).status_code == 422


def test_a_person_number_leads_to_the_record_stands_in_no_address_and_the_question_is_journalled(
    signed_in: SignIn, looked: tuple
) -> None:
    _one, other = looked
    client = signed_in(cast.AUDITOR)
    number = other.identifiers.get().value
    answer = client.post(AT, {"number": f"{number[:4]} {number[4:]}"})
    assert answer.status_code == 302
    assert number not in answer["Location"]
    page = client.get(answer["Location"])
    assert numbers(page)[-1] == (cast.PHONE_DESK, other.pk)
    entry = AccessEntry.objects.filter(person_id=other.pk).latest("at")
    assert (entry.user_id, entry.place, entry.purpose) == (
        cast.member(cast.AUDITOR).pk,
        "screening:journal",
        "check",
    )
    wrong = client.post(AT, {"number": "000400009999"})
    assert (wrong.status_code, "Nobody has this person number." in wrong.text) == (422, True)


@pytest.mark.parametrize("role", sorted(set(cast.BY_ROLE) - {"auditor"}))
def test_nobody_else_opens_it(signed_in: SignIn, role: str, looked: tuple) -> None:
    assert signed_in(cast.BY_ROLE[role]).get(AT).status_code == 403
    with pytest.raises(NotAllowed):
        journal_entries(by=cast.member(cast.BY_ROLE[role]), since=TODAY, until=TODAY)


def test_a_long_journal_is_paged_and_an_empty_one_says_what_to_do(signed_in: SignIn) -> None:
    client = signed_in(cast.AUDITOR)
    assert "No look fits these filters." in client.get(AT).text
    person, by = factories.a_person(), cast.member(cast.PHONE_DESK)
    AccessEntry.objects.bulk_create(
        AccessEntry(id=n, at=NOON, user_id=by.pk, person_id=person.pk, purpose="call", place="x")
        for n in range(1, 450)
    )
    page = client.get(AT, {"page": 3})
    assert len(page.context["looks"]) == 49
    assert "401 to 449 of 449" in page.text
