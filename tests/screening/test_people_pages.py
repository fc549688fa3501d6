"""The person page and the search: what is found, what is said, what is journalled, and what a person asks for."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from screening.access import person_open, reason_owed
from screening.models import Exclusion, Kit, Lot, Person, PersonNote, Round, Stop
from screening.services.batches import kits_stock
from screening.services.due import due_dates_refresh
from screening.services.people import postponement_record, stop_end, stop_record
from screening.services.rounds import rounds_close
from staff import clock
from staff.errors import IllegalMove, NotAllowed, NotFound, RoundbookError
from staff.models import AccessEntry, User
from tests import cast, factories
from tests.looks import asked_why, on_the_list

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]


@pytest.fixture
def by() -> User:
    return cast.member(cast.PHONE_DESK)


def found(client: Client, text: str) -> object:
    return client.post(reverse("screening:search"), {"q": text})


def journal(place: str) -> list[int]:
    return list(AccessEntry.objects.filter(place=place).values_list("person_id", flat=True))


def test_a_person_is_found_by_serial_number_name_and_phone(signed_in: SignIn) -> None:
    person = factories.a_person(
        family_name="Tólvemir", given_names="Brisa Anne", name_key="tolvemir brisa anne", phone="020 555-0117"
    )
    round_ = factories.a_round(person)
    client = signed_in(cast.PHONE_DESK)
    page = reverse("screening:person", args=[person.pk])
    number = person.identifiers.get().value
    for text in (
        round_.kits.get().serial.lower(),
        number,
        f"{number[:4]} {number[4:8]} {number[8:]}",
        "(020) 555 0117",
    ):
        answer = found(client, text)
        assert (answer.status_code, answer["Location"]) == (302, page), text
    for text in ("TOLVEMIR 1964", "brisa tolv 1964", "Tólvemir, 1964", "1964 anne"):
        answer = found(client, text)
        assert answer.status_code == 200, text
        assert page in answer.text, text
    assert journal("search") == [person.pk] * 8


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "Scan a kit"), ("Tolvemir", "Add the birth year"), ("1964", "Type a kit serial"), ("TK00000000", "A kit serial has 12"),
        ("TK000000001A", "was misread"), ("400000019999", "was misread"), ("000400000010", "Nobody has this person number"),
        ("Nobody 1901", "Nobody of that name"), ("020 555-0199", "Nobody has this phone"), ("%_ 1964", "Nobody of that name"),
        ("<script>", "Add the birth year"), ("Tolvemir 62", "four digits after the name, for example: Tolvemir 1958."),
        ("Tolvemir 13-07-62", "for example: Tolvemir 1958."), ("Tolvemir 13/07/62", "for example: Tolvemir 1958."),
        ("13.7.1962", "type the name with the birth date"), ("13/07/1962", "type the name with the birth date"),
        ("1962-07-13", "type the name with the birth date"), ("13-07-1962", "type the name with the birth date"),
        ("Nobody 13/07/1962", "Nobody of that name was born on 13 Jul 1962"),
        ("Tolvemir 31/02/1962", "31/02/1962 is no day of the calendar"), ("Tolvemir 07/13/1962", "Write the day first"),
    ],
)  # fmt: skip
def test_a_search_that_finds_nobody_says_what_to_do(signed_in: SignIn, text: str, words: str) -> None:
    factories.a_person()
    answer = found(signed_in(cast.COORDINATOR), text)
    assert answer.status_code == 200
    assert words in answer.text
    assert "<script>alert" not in answer.text
    assert journal("search") == []


@pytest.mark.parametrize(
    "day", ["13/07/1962", "13.7.1962", "13-07-1962", "1962-07-13", "1962-7-13", "13/7/1962,"]
)
def test_a_name_with_a_birth_date_finds_by_both(signed_in: SignIn, day: str) -> None:
    names = {"family_name": "Tolrimir", "given_names": "Bress", "name_key": "tolrimir bress"}
    born = factories.a_person(**names, birth_date=date(1962, 7, 13))
    factories.a_person(**names, birth_date=date(1962, 7, 14))
    client = signed_in(cast.PHONE_DESK)
    for text in (f"Tolrimir {day}", f"{day} bress tol"):
        answer = found(client, text)
        assert [f.person for f, _age in answer.context["rows"]] == [born], text
    assert journal("search") == [born.pk] * 2


def test_a_phone_number_written_like_a_date_is_found(signed_in: SignIn) -> None:
    person = factories.a_person(phone="13.07.1962")
    answer = found(signed_in(cast.PHONE_DESK), "13-07-1962")
    assert answer["Location"] == reverse("screening:person", args=[person.pk])


# Source: job description section 9: no personal data in addresses.
def test_what_was_typed_never_stands_in_an_address(signed_in: SignIn) -> None:
    person = factories.a_person()
    client = signed_in(cast.PHONE_DESK)
    page = client.get(reverse("screening:search"), {"q": "tovelin 1964"})
    assert (page.status_code, journal("search")) == (200, [])
    assert person.given_names not in page.text
    assert 'action="/people/find/" method="post"' in page.text
    strict = Client(enforce_csrf_checks=True)
    strict.cookies = client.cookies
    assert strict.post(reverse("screening:search"), {"q": "tovelin 1964"}).status_code == 403
    token = {"q": "tovelin 1964", "csrfmiddlewaretoken": page.context["csrf_token"]}
    answer = strict.post(reverse("screening:search"), token)
    assert (answer.status_code, answer.request["QUERY_STRING"]) == (200, "")
    assert person.family_name in answer.text


def test_a_kit_in_stock_belongs_to_nobody(signed_in: SignIn, by: User) -> None:
    kits_stock(by=by, lot=Lot.objects.all()[0], first_number=77, count=1)
    assert "never sent to anybody" in found(signed_in(cast.PHONE_DESK), Kit.objects.get().serial).text


def test_a_long_list_is_cut_and_only_those_shown_are_journalled(signed_in: SignIn) -> None:
    for _ in range(30):
        factories.a_person()
    answer = found(signed_in(cast.PHONE_DESK), "tovel 1964")
    assert "There are more." in answer.text
    assert len(journal("search")) == 25


def test_a_person_page_tells_where_she_stands_and_why(signed_in: SignIn, by: User) -> None:
    round_ = factories.a_round(sent_days_ago=10)
    client = signed_in(cast.PHONE_DESK)
    on_the_list(cast.PHONE_DESK, round_.person_id)
    page = client.get(reverse("screening:person", args=[round_.person_id]))
    assert "In a round: kit is with the person." in page.text
    assert "Next: 5 September 2026" in page.text
    assert "Not due: a round is open." in page.text
    assert "The next date is set when the round closes." in page.text
    assert page.text.index("Kit handed to the post") < page.text.index("Invited: a kit is to be sent")
    assert journal("screening:person") == [round_.person_id]
    rounds_close(by=by, round_ids=[round_.pk], reason="not_returned")
    page = client.get(reverse("screening:person", args=[round_.person_id]))
    assert "Not due: the interval since the last round is not over." in page.text
    assert "Next: 7 June 2028" in page.text


def test_panels_of_other_parts_are_offered_to_those_who_may_open_them(signed_in: SignIn) -> None:
    person = factories.a_person()
    results = reverse("results:person-panel", args=[person.pk])
    at = reverse("screening:person", args=[person.pk])
    for who in (cast.COORDINATOR, cast.PHONE_DESK):
        on_the_list(who, person.pk)
    assert results in signed_in(cast.COORDINATOR).get(at).text
    assert results not in signed_in(cast.PHONE_DESK).get(at).text


@pytest.mark.parametrize("role", ["front_desk", "laboratory", "manager", "administrator", "auditor"])
def test_a_person_page_and_the_search_are_closed_to(signed_in: SignIn, role: str) -> None:
    person = factories.a_person()
    client = signed_in(cast.BY_ROLE[role])
    assert client.get(reverse("screening:person", args=[person.pk])).status_code == 403
    assert found(client, "tovelin 1964").status_code == 403
    assert not AccessEntry.objects.exists()


def test_the_door_itself_refuses_and_resolves_merged_records(by: User) -> None:
    person, other = factories.a_person(), factories.a_person()
    Person.objects.filter(pk=other.pk).update(merged_into=person)
    assert person_open(by=by, person_id=other.pk, purpose="call", place="x") == person
    assert journal("x") == [person.pk]
    with pytest.raises(NotFound):
        person_open(by=by, person_id=10**9, purpose="call", place="x")
    for name in (cast.ADMINISTRATOR, cast.AUDITOR):
        with pytest.raises(NotAllowed):
            person_open(by=cast.member(name), person_id=person.pk, purpose="call", place="x")


# Source: ruling R1: an opt-out stops invitations and never a kit that is back, a result or a referral.
@pytest.mark.parametrize(("state", "closes"), [("kit_due", True), ("kit_out", True), ("result_due", False)])
def test_an_opt_out_ends_a_round_whose_kit_is_not_back(by: User, state: str, closes: bool) -> None:
    round_ = factories.a_round(state="kit_due" if state == "kit_due" else "kit_out")
    if state == "result_due":
        factories.a_ready_return(round_)
    stop = stop_record(by=by, person=round_.person, scope="invitations", source="called")
    assert stop_record(by=by, person=round_.person, scope="invitations", source="again") == stop
    round_ = Round.objects.get(pk=round_.pk)
    assert (round_.close_reason == "declined") is closes
    assert Person.objects.get(pk=round_.person_id).next_due_on is None
    assert round_.kits.get().void_on == (TODAY if state == "kit_due" else None)


# Source: job description 2.2, exception 7: who comes back is due today if overdue, not in two years.
def test_who_takes_an_opt_out_back_is_due_at_once(by: User) -> None:
    round_ = factories.a_round(sent_days_ago=30)
    stop = stop_record(by=by, person=round_.person, scope="invitations", source="called")
    stop_end(by=by, stop=stop)
    due = Person.objects.get(pk=round_.person_id).next_due_on
    assert due is not None
    assert due <= TODAY
    with pytest.raises(IllegalMove):
        stop_end(by=by, stop=stop)


def test_other_stops_leave_the_round_alone(by: User) -> None:
    round_ = factories.a_round()
    stop_record(by=by, person=round_.person, scope="text", source="called")
    assert Round.objects.get(pk=round_.pk).state == "kit_out"


def test_a_postponed_person_comes_back_on_the_day(by: User) -> None:
    round_ = factories.a_round()
    postponement_record(by=by, person=round_.person, until=date(2026, 9, 1), note="travels")
    assert Round.objects.get(pk=round_.pk).close_reason == "postponed"
    assert Person.objects.get(pk=round_.person_id).next_due_on == date(2026, 9, 1)


@pytest.mark.parametrize(
    ("ask", "code"),
    [
        (lambda by, p: stop_record(by=by, person=p, scope="all", source="x"), "scope_unknown"),
        (lambda by, p: stop_record(by=by, person=p, scope="text", source=" "), "source_missing"),
        (
            lambda by, p: stop_record(by=by, person=p, scope="text", source="x", since=TODAY + timedelta(1)),
            "day_in_future",
        ),
        (lambda by, p: postponement_record(by=by, person=p, until=TODAY), "day_not_ahead"),
        (lambda by, p: postponement_record(by=by, person=p, until=date(2027, 6, 18)), "day_too_far"),
    ],
)
def test_a_wish_that_cannot_be_is_refused(by: User, ask: Callable[[User, Person], object], code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        ask(by, factories.a_person())
    assert refused.value.code == code


def test_wishes_are_recorded_from_the_page(signed_in: SignIn, by: User) -> None:
    person = factories.a_person()
    due_dates_refresh(by=by)
    client = signed_in(cast.PHONE_DESK)
    at = [person.pk]
    wrong = client.post(reverse("screening:person-stop", args=at), {"scope": "invitations", "source": ""})
    assert wrong.status_code == 422
    done = client.post(
        reverse("screening:person-stop", args=at), {"scope": "invitations", "source": "called"}, follow=True
    )
    assert "Opted out of invitations" in done.text
    stop = Stop.objects.get()
    ended = client.post(reverse("screening:person-stop-end", args=[person.pk, stop.pk]), follow=True)
    assert "The stop has ended today." in ended.text
    far = client.post(reverse("screening:person-postpone", args=at), {"until": "2030-01-01", "note": ""})
    assert (far.status_code, "not more than" in far.text or "more than 12 months" in far.text) == (422, True)
    client.post(reverse("screening:person-postpone", args=at), {"until": "2026-10-01", "note": ""})
    assert Exclusion.objects.get().until == date(2026, 10, 1)


def test_a_lost_kit_is_recorded_from_the_page(signed_in: SignIn) -> None:
    round_ = factories.a_round()
    client = signed_in(cast.PHONE_DESK)
    kit = round_.kits.get()
    done = client.post(reverse("screening:kit-lost", args=[kit.pk]), follow=True)
    assert f"Kit {kit.serial} is recorded as lost" in done.text
    assert "waiting for a kit to be sent" in done.text
    again = client.post(reverse("screening:kit-lost", args=[kit.pk]), follow=True)
    assert "cannot take" in again.text


def test_a_clinician_reads_and_records_no_wish(signed_in: SignIn) -> None:
    person = factories.a_person()
    client = signed_in(cast.CLINICIAN)
    on_the_list(cast.CLINICIAN, person.pk)
    assert (
        "Record that the person stops" not in client.get(reverse("screening:person", args=[person.pk])).text
    )
    assert client.post(reverse("screening:person-stop", args=[person.pk]), {}).status_code == 403


# Source: the programme's job description 9 (purpose line: outside today's lists a reason is picked, with words if wished).
def test_a_person_outside_ones_lists_is_opened_with_a_reason_that_holds_for_the_day(
    signed_in: SignIn,
) -> None:
    person = factories.a_person(given_names="Wenna")
    client, at = signed_in(cast.PHONE_DESK), reverse("screening:person", args=[person.pk])
    found(client, "tovelin 1964")
    asked = client.get(at)
    assert "Why this record?" in asked.text
    assert "Wenna" not in asked.text, "nothing of the person is told before"
    assert journal("screening:person") == []
    wrong = client.post(reverse("screening:person-look", args=[person.pk]), {"purpose": "idle"})
    assert wrong.status_code == 422
    asked_why(client, person, note="her daughter rang")
    assert "Wenna" in client.get(at).text
    entry = AccessEntry.objects.exclude(purpose="search").order_by("at", "pk").first()
    assert entry is not None
    assert (entry.purpose, entry.place) == ("call", "screening:person (her daughter rang)")
    with clock.at(clock.now() + timedelta(days=1)):
        assert reason_owed(by=cast.member(cast.PHONE_DESK), person_id=person.pk), "on another day again"
    on_the_list(cast.COORDINATOR, person.pk)
    assert "Wenna" in signed_in(cast.COORDINATOR).get(at).text, "whoever has her on a list is not asked"


def test_a_note_is_written_on_the_phone_and_stands_in_the_story(signed_in: SignIn) -> None:
    person = factories.a_person()
    client, at = signed_in(cast.PHONE_DESK), reverse("screening:person-note", args=[person.pk])
    empty = client.post(at, {"words": " "})
    assert empty.status_code == 422
    assert "Write what was said." in empty.text
    page = client.post(at, {"words": "Asked when the kit comes; told next week."}, follow=True)
    assert "Note: Asked when the kit comes; told next week." in page.text
    note = PersonNote.objects.get()
    with pytest.raises(DatabaseError), transaction.atomic():
        PersonNote.objects.filter(pk=note.pk).update(words="other")
