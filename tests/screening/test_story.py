"""A person's story stands in the order in which things were recorded, with who did them and when."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta

import pytest

from screening.models import Person
from screening.services.corrections import person_correct
from screening.services.exclusions import exclusion_confirm, exclusion_end, exclusion_record
from screening.services.people import note_write, postponement_record, stop_end, stop_record
from screening.story import Event, person_story
from staff import clock
from staff.models import User
from tests import cast, factories
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")


@pytest.fixture
def by() -> User:
    return cast.member(cast.PHONE_DESK)


@contextmanager
def minute(n: int) -> Iterator[None]:
    """So many minutes after noon of the first day."""
    with clock.at(NOON + timedelta(minutes=n)):
        yield


def told(person: Person) -> list[Event]:
    return person_story(Person.objects.get(pk=person.pk))


@pytest.mark.parametrize("apart", [1, 0])
def test_out_and_in_again_on_one_day_stand_in_their_order_with_who_and_when(by: User, apart: int) -> None:
    person = factories.a_person()
    other = cast.member(cast.COORDINATOR)
    with minute(0):
        stop = stop_record(by=by, person=person, scope="invitations", source="called")
    with minute(apart):
        stop_end(by=other, stop=stop)
    with minute(2 * apart):
        stop_record(by=by, person=person, scope="invitations", source="called again")
    with minute(3 * apart):
        again = told(person)
    out, back = "Does not want: invitations and reminders", "Wants again: invitations and reminders"
    assert [(e.sentence, e.who, e.reason) for e in again] == [
        (out, by.full_name, "called again"), (back, other.full_name, ""), (out, by.full_name, "called"),
    ]  # fmt: skip
    assert [e.when for e in again] == [NOON + timedelta(minutes=n * apart) for n in (2, 1, 0)]


def test_a_stop_recorded_later_than_it_began_stands_where_it_was_recorded(by: User) -> None:
    person = factories.a_person()
    with minute(0):
        note_write(by=by, person=person, words="first")
    with minute(1):
        stop_record(by=by, person=person, scope="text", source="letter", since=date(2026, 6, 1))
    first, second = told(person)
    assert (first.sentence, first.reason) == ("Does not want: text messages", "letter; since 1 Jun 2026")
    assert second.sentence == "Note: first"


def test_postponements_and_exclusions_tell_who_recorded_confirmed_and_ended_them(by: User) -> None:
    person = factories.a_person()
    clinician = cast.member(cast.CLINICIAN)
    with minute(0):
        waits = postponement_record(by=by, person=person, until=date(2026, 10, 1), note="travels")
    with minute(1):
        out = exclusion_record(by=by, person=person, kind="ibd_care", note="her doctor rang")
    with minute(2):
        exclusion_end(by=by, exclusion=waits, note="is back")
    with minute(3):
        exclusion_confirm(by=clinician, exclusion=out)
    kinds = str(waits.get_kind_display()), str(out.get_kind_display())
    assert [(e.sentence, e.who, e.reason) for e in told(person)] == [
        (f"Confirmed for good: {kinds[1]}", clinician.full_name, ""),
        (f"End set: {kinds[0]}", by.full_name, "until 18 Jun 2026; is back"),
        (kinds[1], by.full_name, "until 17 Dec 2026"),
        (kinds[0], by.full_name, "until 1 Oct 2026"),
    ]
    assert [e.when for e in told(person)] == [NOON + timedelta(minutes=n) for n in (3, 2, 1, 0)]


def test_an_opt_out_stands_before_the_round_that_it_ends(by: User) -> None:
    round_ = factories.a_round(sent_days_ago=10)
    with minute(1):
        stop_record(by=by, person=round_.person, scope="invitations", source="called")
    assert [e.sentence for e in told(round_.person)[:2]] == [
        "Round closed", "Does not want: invitations and reminders",
    ]  # fmt: skip


@pytest.mark.parametrize("apart", [1, 0])
def test_corrections_of_one_day_stand_newest_first_with_their_time(by: User, apart: int) -> None:
    person = factories.a_person(phone="01632 960100")
    for n, phone in enumerate(("01632 960101", "01632 960102", "01632 960101")):
        with minute(n * apart):
            person_correct(by=by, person=person, facts={"phone": phone}, note=f"call {n}")
    assert [(e.reason, e.who) for e in told(person)] == [(f"call {n}", by.full_name) for n in (2, 1, 0)]
    assert [e.when for e in told(person)] == [NOON + timedelta(minutes=n * apart) for n in (2, 1, 0)]


def test_two_facts_corrected_on_a_merged_record_are_told_on_the_kept_page(by: User) -> None:
    kept, other = factories.a_person(), factories.a_person()
    with minute(1):
        person_correct(by=by, person=other, facts={"email": "a@example.org", "locality": "Saltrow"}, note="x")
    Person.objects.filter(pk=other.pk).update(merged_into=kept)
    assert {e.sentence.split(",")[0] for e in told(kept)} == {
        "Corrected by hand: e-mail", "Corrected by hand: town",
    }  # fmt: skip
    assert {e.when for e in told(kept)} == {NOON + timedelta(minutes=1)}


def test_a_correction_tells_from_what_to_what(by: User) -> None:
    person = factories.a_person(phone="", sex="female", birth_date=date(1964, 3, 9))
    steps = (
        {"phone": "01632 960101"}, {"phone": "01632 960102"}, {"phone": ""}, {"sex": "male"}, {"birth_date": "1964-03-08"},
    )  # fmt: skip
    for n, facts in enumerate(steps):
        with minute(n):
            person_correct(by=by, person=person, facts=facts, note="called")
    assert [e.sentence for e in reversed(told(person))] == [
        "Corrected by hand: phone, from nothing to “01632 960101”",
        "Corrected by hand: phone, from “01632 960101” to “01632 960102”",
        "Corrected by hand: phone, from “01632 960102” to nothing",
        "Corrected by hand: sex, from “female” to “male”",
        "Corrected by hand: birth date, from “9 Mar 1964” to “8 Mar 1964”",
    ]


# Source: the programme's job description 2.1: a hidden address is not shown.
def test_a_correction_never_tells_a_hidden_address(by: User) -> None:
    person = factories.a_person(locality="Quillport")
    person_correct(
        by=by, person=person, facts={"locality": "Saltrow", "phone": "01632 960101"}, note="called"
    )
    Person.objects.filter(pk=person.pk).update(hidden_address=True)
    sentences = " ".join(e.sentence for e in told(person))
    assert "Saltrow" not in sentences
    assert "Quillport" not in sentences
    assert "“01632 960101”" in sentences
