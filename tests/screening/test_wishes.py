"""Wishes on the person page: over all records of a person, once when sent twice, and saying beforehand what they end."""

from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from outreach.models import Letter
from outreach.services.planning import letters_plan
from screening.models import Exclusion, Person, Round, Stop
from screening.services.exclusions import exclusion_end, exclusion_record
from screening.services.people import postponement_record, stop_end, stop_record
from staff.models import User
from tests import cast, factories
from tests.looks import on_the_list

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]


@pytest.fixture
def by() -> User:
    return cast.member(cast.PHONE_DESK)


def merged_into(kept: Person, record: Person) -> None:
    Person.objects.filter(pk=record.pk).update(merged_into=kept, next_due_on=None)


def test_a_stop_that_stands_on_a_merged_record_is_ended_from_the_kept_page(
    signed_in: SignIn, by: User
) -> None:
    kept, other, stranger = (factories.a_person() for _ in range(3))
    stop = stop_record(by=by, person=other, scope="invitations", source="called")
    foreign = stop_record(by=by, person=stranger, scope="invitations", source="called")
    merged_into(kept, other)
    client = signed_in(cast.PHONE_DESK)
    on_the_list(cast.PHONE_DESK, kept.pk)
    address = reverse("screening:person-stop-end", args=[kept.pk, stop.pk])
    assert address in client.get(reverse("screening:person", args=[kept.pk])).text
    page = client.post(address, follow=True).text
    assert "The stop has ended today." in page
    assert "does not belong" not in page
    assert Stop.objects.get(pk=stop.pk).ended_on == TODAY
    due = Person.objects.get(pk=kept.pk).next_due_on
    assert due is not None
    assert due <= TODAY
    refused = client.post(reverse("screening:person-stop-end", args=[kept.pk, foreign.pk]), follow=True)
    assert "does not belong to this person" in refused.text


def test_an_opt_out_ends_the_round_of_a_merged_record_and_its_end_makes_due_at_once(by: User) -> None:
    kept = factories.a_person()
    round_ = factories.a_round(sent_days_ago=30)
    merged_into(kept, round_.person)
    stop = stop_record(by=by, person=kept, scope="invitations", source="called")
    assert Round.objects.get(pk=round_.pk).close_reason == "declined"
    stop_end(by=by, stop=stop)
    due = Person.objects.get(pk=kept.pk).next_due_on
    assert due is not None
    assert due <= TODAY


def test_a_stop_that_a_merged_record_has_is_found_and_not_written_again(by: User) -> None:
    kept, other = factories.a_person(), factories.a_person()
    stop = stop_record(by=by, person=other, scope="invitations", source="called")
    merged_into(kept, other)
    assert stop_record(by=by, person=kept, scope="invitations", source="again") == stop
    assert Stop.objects.count() == 1


def test_an_exclusion_of_a_merged_record_that_ends_gives_the_kept_one_a_date(by: User) -> None:
    kept, other = factories.a_person(), factories.a_person()
    exclusion = exclusion_record(by=by, person=other, kind="ibd_care", note="letter of the hospital")
    merged_into(kept, other)
    Person.objects.filter(pk=kept.pk).update(next_due_on=None)
    exclusion_end(by=by, exclusion=exclusion, note="told apart")
    assert Person.objects.get(pk=kept.pk).next_due_on is not None


def test_a_postponement_sent_twice_is_written_once_and_owes_one_letter(signed_in: SignIn, by: User) -> None:
    round_ = factories.a_round(sent_days_ago=10)
    client, at = signed_in(cast.PHONE_DESK), reverse("screening:person-postpone", args=[round_.person_id])
    for _ in range(2):
        page = client.post(at, {"until": "2026-10-01", "note": "travels"}, follow=True)
        assert "Postponed." in page.text
    first = Exclusion.objects.get()
    assert Round.objects.get(pk=round_.pk).close_reason == "postponed"
    assert letters_plan(by=factories.by_default())["postponement"] == 1
    assert Letter.objects.filter(kind="postponement").count() == 1
    assert postponement_record(by=by, person=round_.person, until=date(2026, 10, 1)) == first
    assert postponement_record(by=by, person=round_.person, until=date(2026, 11, 1)) != first
    assert Exclusion.objects.count() == 2


def test_a_postponement_of_a_merged_record_is_the_same_postponement(by: User) -> None:
    kept, other = factories.a_person(), factories.a_person()
    first = postponement_record(by=by, person=other, until=date(2026, 10, 1))
    merged_into(kept, other)
    assert postponement_record(by=by, person=kept, until=date(2026, 10, 1)) == first


def test_a_postponement_that_was_ended_is_recorded_anew(by: User) -> None:
    person = factories.a_person()
    first = postponement_record(by=by, person=person, until=date(2026, 10, 1))
    exclusion_end(by=by, exclusion=first, note="is back")
    assert postponement_record(by=by, person=person, until=date(2026, 10, 1)) != first
