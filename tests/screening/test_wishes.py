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


def form_of(page: str, summary: str) -> str:
    """What stands on the page in one of its forms, from its heading to its end."""
    return page.split(f"<summary>{summary}</summary>")[1].split("</details>")[0]


FORMS = ("Record that the person stops something", "Postpone until a day", "Leave out for a medical reason")


# Source: ruling R1: an opt-out ends a round whose kit is not back, and never stops a result.
@pytest.mark.parametrize(
    ("state", "says"),
    [
        ("", ""),
        ("kit_due", "A kit that comes back is tested all the same."),
        ("kit_out", "A kit that comes back is tested all the same."),
        ("result_due", "The kit of the open round is back: it is tested"),
    ],
)
def test_the_forms_say_beforehand_what_they_do_to_the_open_round(
    signed_in: SignIn, state: str, says: str
) -> None:
    if state:
        round_ = factories.a_round(state="kit_due" if state == "kit_due" else "kit_out")
        person = round_.person
    else:
        person = factories.a_person()
    if state == "result_due":
        factories.a_ready_return(round_)
    on_the_list(cast.PHONE_DESK, person.pk)
    page = signed_in(cast.PHONE_DESK).get(reverse("screening:person", args=[person.pk])).text
    for summary in FORMS:
        form = form_of(page, summary)
        assert (says in form) if says else ("A round is open" not in form), summary
        assert ("ends it" in form) is (state in {"kit_due", "kit_out"}), summary
    assert ("does not open it again" in form_of(page, FORMS[0])) is (state in {"kit_due", "kit_out"})


def test_who_wants_it_again_is_told_that_the_round_stays_closed_and_what_comes_next(
    signed_in: SignIn, by: User
) -> None:
    round_ = factories.a_round(sent_days_ago=30)
    stop = stop_record(by=by, person=round_.person, scope="invitations", source="called")
    client, at = (
        signed_in(cast.PHONE_DESK),
        reverse("screening:person-stop-end", args=[round_.person_id, stop.pk]),
    )
    page = client.post(at, follow=True).text
    for words in (
        "The stop has ended today. The round that it closed stays closed.",
        "If the kit that is still with the person comes back, it is tested.",
        "Next: this person is due, and a new kit goes out with one of the next batches.",
    ):
        assert words in page
    assert Round.objects.get(pk=round_.pk).state == "closed"


def test_a_stop_that_closed_no_round_says_only_what_comes_next(signed_in: SignIn, by: User) -> None:
    person = factories.a_person()
    client = signed_in(cast.PHONE_DESK)
    postponement_record(by=by, person=person, until=date(2026, 10, 1))
    stop = stop_record(by=by, person=person, scope="invitations", source="called")
    page = client.post(reverse("screening:person-stop-end", args=[person.pk, stop.pk]), follow=True).text
    assert "The stop has ended today. Not due: postponed. Due from" in page
    assert "stays closed" not in page
    text = stop_record(by=by, person=person, scope="text", source="called")
    page = client.post(reverse("screening:person-stop-end", args=[person.pk, text.pk]), follow=True).text
    assert "The stop has ended today." in page
    assert "The stop has ended today. Not due" not in page
