"""Corrections by hand survive the register's files; deaths are recorded and taken back by two people; the register equals its feed.

Source: the programme's job description 2.1 (manual corrections survive the next import unless the source value itself
changed; death is reversible only by two people; every field keeps its source and date), ruling R14.
"""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from screening.models import DeathQuestion, Exclusion, FieldCorrection, Person, PersonIdentifier, Round
from screening.serials import person_number_make
from screening.services.corrections import fact_sources, person_correct
from screening.services.deaths import death_ask, death_decide
from screening.services.due import person_eligibility
from screening.services.exclusions import exclusion_end
from screening.services.register import register_apply, register_effect, register_stage
from screening.services.register_lines import COLUMNS
from screening.services.register_proof import register_compare, register_freshness
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User
from tests import cast, factories
from tests.conftest import NOON
from tests.looks import on_the_list

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]
_seen: dict[str, int] = {}


@pytest.fixture
def by() -> User:
    return cast.member(cast.PHONE_DESK)


def line(n: int = 1, **facts: str) -> str:
    given = {
        "person_number": person_number_make(n), "family_name": "Tolvane", "given_names": "Marra", "birth_date": "1964-03-09",
        "sex": "female", "address_1": "1 Mill Lane", "locality": "Quillport", "postcode": "0Q-417", "phone": "01632 1",
        "area_code": "QUI",
    }  # fmt: skip
    return ",".join((given | facts).get(c, "") for c in COLUMNS)


def feed(*lines: str, full: bool = False) -> object:
    """Apply a file; a repeated one is made another file by blank lines at its end."""
    body = "\n".join([",".join(COLUMNS), *lines])
    _seen[body] = _seen.get(body, 0) + 1
    load = register_stage(
        by=cast.member(cast.ADMINISTRATOR),
        content=(body + "\n" * _seen[body]).encode(),
        file_name="f.csv",
        is_full=full,
    )
    return register_apply(by=cast.member(cast.MANAGER), load=load, override_hold=True)


@pytest.fixture
def marra() -> Person:
    feed(line())
    return Person.objects.get()


def test_a_correction_survives_the_file_until_the_register_says_something_new(
    by: User, marra: Person
) -> None:
    made = person_correct(
        by=by, person=marra, facts={"phone": "01632 2", "address_1": "1 Mill Lane"}, note="called"
    )
    assert [(c.field, c.value, c.feed_value) for c in made] == [("phone", "01632 2", "01632 1")]
    again = feed(line())
    assert (again.changed, again.unchanged) == (0, 1)
    assert feed(line(address_1="7 Dune Street")).changed == 1
    marra.refresh_from_db()
    assert (marra.phone, marra.address_1) == ("01632 2", "7 Dune Street"), (
        "another field of the same line is taken"
    )
    assert feed(line(phone="01632 3", address_1="7 Dune Street")).changed == 1
    marra.refresh_from_db()
    assert marra.phone == "01632 3"
    assert FieldCorrection.objects.get().ended_on == TODAY
    assert feed(line(phone="01632 1", address_1="7 Dune Street")).changed == 1, "no correction holds any more"


@pytest.mark.parametrize(
    ("field", "value", "new"),
    [
        ("family_name", "Tólvane", "Merrick"), ("given_names", "Marra Anne", "Tessaly"), ("birth_date", "1965-03-09", "1966-01-01"),
        ("sex", "male", "other"), ("address_1", "2 Mill Lane", "3 Mill Lane"), ("address_2", "flat 2", "flat 3"),
        ("locality", "Northmere", "Saltrow"), ("postcode", "0Q-100", "0Q-200"), ("phone", "", "1"), ("email", "a@example.org", "b@x"),
        ("language", "ar", "pt"),
    ],
)  # fmt: skip
def test_every_fact_that_may_be_corrected_survives_and_is_overtaken(
    by: User, marra: Person, field: str, value: str, new: str
) -> None:
    person_correct(by=by, person=marra, facts={field: value}, note="letter")
    load = feed(line())
    assert (load.changed, load.unchanged) == (0, 1)
    marra.refresh_from_db()
    assert str(getattr(marra, field)) == value
    assert fact_sources(marra)[field].by_hand
    assert register_compare(by=by).differing == 0, "a corrected fact is no difference"
    feed(line(**{field: new}))
    marra.refresh_from_db()
    assert str(getattr(marra, field)) == new
    assert not fact_sources(marra)[field].by_hand
    if field == "family_name":
        assert marra.name_key == "merrick marra"


def test_names_are_found_by_their_corrected_spelling(by: User, marra: Person) -> None:
    person_correct(by=by, person=marra, facts={"family_name": "Ólskerel"}, note="passport seen")
    feed(line(given_names="Wenna"))
    marra.refresh_from_db()
    assert (marra.family_name, marra.given_names, marra.name_key) == ("Ólskerel", "Wenna", "olskerel wenna")


def test_a_correction_corrected_keeps_what_the_register_said(by: User, marra: Person) -> None:
    person_correct(by=by, person=marra, facts={"phone": "01632 2"}, note="called")
    person_correct(by=by, person=marra, facts={"phone": "01632 3"}, note="called again")
    assert feed(line()).changed == 0
    marra.refresh_from_db()
    assert marra.phone == "01632 3"
    assert FieldCorrection.objects.filter(ended_on=None).get().feed_value == "01632 1"


@pytest.mark.parametrize(
    ("facts", "note", "code"),
    [
        ({"phone": "1"}, " ", "note_missing"), ({"deceased_on": "2026-01-01"}, "x", "field_unknown"),
        ({"birth_date": "9.3.1964"}, "x", "date_wrong"), ({"birth_date": "2030-01-01"}, "x", "date_wrong"),
        ({"birth_date": "1850-01-01"}, "x", "date_wrong"), ({"family_name": ""}, "x", "name_missing"),
        ({"postcode": "0Q-417-0Q-417"}, "x", "value_too_long"), ({"sex": "f"}, "x", "sex_unknown"),
        ({"phone": "abc"}, "x", "phone_wrong"), ({"phone": "12"}, "x", "phone_wrong"), ({"phone": "+ ( ) / -"}, "x", "phone_wrong"),
        ({"phone": "1234567890123456"}, "x", "phone_wrong"), ({"phone": "01632 960101 x7"}, "x", "phone_wrong"),
        ({"phone": "٠١٢٣٤٥٦٧"}, "x", "phone_wrong"),
    ],
)  # fmt: skip
def test_a_correction_that_cannot_be_is_refused(
    by: User, marra: Person, facts: dict, note: str, code: str
) -> None:
    with pytest.raises(RoundbookError) as refused:
        person_correct(by=by, person=marra, facts=facts, note=note)
    assert refused.value.code == code
    assert not FieldCorrection.objects.exists()


@pytest.mark.parametrize("phone", ["+44 (0)1632 960-101", "01632/960101", "123456", "123456789012345", ""])
def test_a_phone_number_that_could_be_dialled_is_taken(by: User, marra: Person, phone: str) -> None:
    person_correct(by=by, person=marra, facts={"phone": phone}, note="called")
    marra.refresh_from_db()
    assert marra.phone == phone


def test_a_phone_number_of_the_register_that_is_too_short_hinders_no_other_correction(by: User) -> None:
    feed(line(phone="12"))
    person = Person.objects.get()
    person_correct(by=by, person=person, facts={"phone": "12", "locality": "Northmere"}, note="called")
    person.refresh_from_db()
    assert (person.phone, person.locality) == ("12", "Northmere")


# Source: job description 2.1, exception 9: nothing already sent is taken back when a birth date moves out of the band.
def test_a_birth_date_corrected_out_of_the_band_leaves_the_round_alone(by: User, marra: Person) -> None:
    round_ = factories.a_round(marra)
    person_correct(by=by, person=marra, facts={"birth_date": "1990-01-01"}, note="passport seen")
    assert Round.objects.get(pk=round_.pk).state == "kit_out"


def test_each_fact_tells_since_when_and_from_where(by: User, marra: Person) -> None:
    with clock.at(NOON + timedelta(days=5)):
        feed(line(phone="01632 9"))
    with clock.at(NOON + timedelta(days=9)):
        marra.refresh_from_db()
        person_correct(by=by, person=marra, facts={"locality": "Northmere"}, note="called")
        marra.refresh_from_db()
        found = fact_sources(marra)
    assert (found["phone"].since, found["phone"].by_hand) == (TODAY + timedelta(days=5), False)
    assert (found["locality"].since, found["locality"].who) == (TODAY + timedelta(days=9), "Junia Ostrevel")
    assert (found["sex"].since, found["sex"].by_hand) == (TODAY, False)


# --- deaths ------------------------------------------------------------------------------------------------------


def asked_and_decided(
    person: Person, kind: str, agree: bool = True, day: date | None = TODAY
) -> DeathQuestion:
    question = death_ask(
        by=cast.member(cast.PHONE_DESK), person=person, kind=kind, source="daughter rang", day=day
    )
    return death_decide(by=cast.member(cast.COORDINATOR), question=question, agree=agree)


# Source: job description 2.1, exception 4, and ruling R14: never alone; nothing is sent until someone looks.
def test_a_death_in_error_is_taken_back_by_two_and_the_same_line_does_not_bring_it_back(
    marra: Person,
) -> None:
    round_ = factories.a_round(marra)
    dead = line(deceased_on="2026-06-10")
    feed(dead)
    assert Round.objects.get(pk=round_.pk).close_reason == "died"
    asker = cast.member(cast.PHONE_DESK)
    question = death_ask(by=asker, person=Person.objects.get(), kind="lives", source="she rang herself")
    with pytest.raises(NotAllowed) as alone:
        death_decide(by=asker, question=question, agree=True)
    assert alone.value.code == "second_person"
    assert Person.objects.get().deceased_on is not None
    death_decide(by=cast.member(cast.COORDINATOR), question=question, agree=True)
    marra.refresh_from_db()
    assert marra.deceased_on is None
    assert marra.next_due_on is None, "nothing is sent until somebody looks"
    assert person_eligibility(marra, on=TODAY).code == "death_to_look_at"
    assert (feed(dead).changed, Person.objects.get().deceased_on) == (0, None)
    assert register_compare(by=asker).differing == 0
    Exclusion.objects.update(until=TODAY + timedelta(days=1))
    assert person_eligibility(marra, on=TODAY).next_due_on == TODAY + timedelta(days=1), (
        "due at once: her round never was"
    )
    feed(line(deceased_on="2026-06-16"))
    assert Person.objects.get().deceased_on == date(2026, 6, 16), "another day of death is a new death"


def test_a_death_reported_by_hand_holds_at_once_and_stops_when_a_second_person_agrees(
    by: User, marra: Person
) -> None:
    round_ = factories.a_round(marra, state="kit_due")
    question = death_ask(by=by, person=marra, kind="died", source="son rang", day=TODAY)
    assert Person.objects.get().next_due_on is None
    assert Round.objects.get(pk=round_.pk).state == "kit_due"
    with pytest.raises(IllegalMove):
        death_ask(by=by, person=marra, kind="died", source="again", day=TODAY)
    death_decide(by=cast.member(cast.COORDINATOR), question=question, agree=True)
    assert Person.objects.get().deceased_on == TODAY
    assert Round.objects.get(pk=round_.pk).close_reason == "died"
    assert round_.kits.get().void_on == TODAY


def test_a_refused_report_of_a_death_changes_nothing_for_good(marra: Person) -> None:
    asked_and_decided(marra, "died", agree=False)
    with clock.at(NOON + timedelta(days=1)):
        answer = person_eligibility(Person.objects.get(), on=TODAY + timedelta(days=1))
    assert answer.due
    assert Person.objects.get().deceased_on is None


# "No" to a second report of a death says nothing of the first, at which nobody has looked yet.
def test_a_refused_report_ends_its_own_hold_and_not_that_of_a_death_in_error(by: User, marra: Person) -> None:
    asked_and_decided(marra, "died")
    asked_and_decided(marra, "lives")
    with clock.at(NOON + timedelta(days=3)):
        asked_and_decided(marra, "died", agree=False, day=TODAY + timedelta(days=3))
        waiting = Exclusion.objects.filter(person=marra, until=None)
        assert [one.note for one in waiting] == ["death reported in error"]
        marra.refresh_from_db()
        assert (marra.next_due_on, marra.not_due_code) == (None, "death_to_look_at")
    with clock.at(NOON + timedelta(days=9)):
        assert "somebody has to look first" in str(
            person_eligibility(marra, on=TODAY + timedelta(days=9)).sentence
        )
        exclusion_end(by=by, exclusion=waiting.get(), note="she came by herself")
    with clock.at(NOON + timedelta(days=10)):
        assert person_eligibility(marra, on=TODAY + timedelta(days=10)).due


def test_a_death_denied_the_same_day_is_no_medical_reason(marra: Person) -> None:
    asked_and_decided(marra, "died", agree=False)
    answer = person_eligibility(Person.objects.get(), on=TODAY)
    assert answer.code == "death_looked_at"
    assert "medical" not in str(answer.sentence)
    assert "a death was reported in error" in str(answer.sentence)
    assert "18 June 2026" in str(answer.would_change)


@pytest.mark.parametrize(
    ("kind", "day", "code"),
    [
        ("lives", None, "not_dead"),
        ("died", None, "day_wrong"),
        ("died", date(2026, 6, 18), "day_wrong"),
        ("x", TODAY, "kind_unknown"),
    ],
)
def test_a_question_of_death_that_cannot_be_is_refused(
    by: User, marra: Person, kind: str, day: date, code: str
) -> None:
    with pytest.raises(RoundbookError) as refused:
        death_ask(by=by, person=marra, kind=kind, source="x", day=day)
    assert refused.value.code == code


def test_the_database_itself_refuses_a_death_decided_alone(by: User, marra: Person) -> None:
    question = death_ask(by=by, person=marra, kind="died", source="x", day=TODAY)
    with pytest.raises(IntegrityError, match="a_death_is_decided_by_a_second_person"), transaction.atomic():
        DeathQuestion.objects.filter(pk=question.pk).update(decided_by=by, decided_at=NOON, agreed=True)


# --- the register equals its feed -----------------------------------------------------------------------------------


def test_a_comparison_of_everybody_finds_what_was_changed_behind_the_registers_back(by: User) -> None:
    feed(*(line(n) for n in range(1, 31)), full=True)
    feed(line(7, phone="01632 77"))
    clean = register_compare(by=by)
    assert (clean.people, clean.differing, clean.lost) == (30, 0, 0)
    person = Person.objects.order_by("pk")[11]
    Person.objects.filter(pk=person.pk).update(locality="Elsewhere", left_area_on=TODAY)
    found = register_compare(by=by)
    assert (found.people, found.differing, found.lost) == (30, 1, 0)
    assert [(row["id"], sorted(row["fields"])) for row in found.sample] == [
        (person.pk, ["left_area_on", "locality"])
    ]


def test_a_lost_person_is_found_by_the_comparison(by: User) -> None:
    feed(line(1), line(2))
    PersonIdentifier.objects.filter(value=person_number_make(2)).delete()
    found = register_compare(by=by)
    assert (found.people, found.differing, found.lost) == (1, 0, 1)


# Source: job description 2.1, exception 8: a missing feed raises an alarm; nothing is mailed from people older than 7 days.
@pytest.mark.parametrize(
    ("days", "alarm", "too_old"),
    [(0, False, False), (3, False, False), (4, True, False), (7, True, False), (8, True, True)],
)
def test_a_missing_file_is_an_alarm(marra: Person, days: int, alarm: bool, too_old: bool) -> None:
    fresh = register_freshness(TODAY + timedelta(days=days))
    assert (fresh.last, fresh.days, fresh.alarm, fresh.too_old) == (TODAY, days, alarm, too_old)


# --- pages -----------------------------------------------------------------------------------------------------------


def test_facts_are_corrected_and_deaths_decided_from_the_pages(signed_in: SignIn, marra: Person) -> None:
    client = signed_in(cast.PHONE_DESK)
    at = reverse("screening:person", args=[marra.pk])
    on_the_list(cast.PHONE_DESK, marra.pk)
    page = client.get(at)
    given = page.context["correct_form"].initial
    wrong = client.post(
        reverse("screening:person-correct", args=[marra.pk]), given | {"phone": "01632 5", "note": ""}
    )
    assert wrong.status_code == 422
    done = client.post(
        reverse("screening:person-correct", args=[marra.pk]),
        given | {"phone": "01632 5", "note": "called"},
        follow=True,
    )
    assert "1 fact was corrected." in done.text
    assert "corrected by Junia Ostrevel" in done.text
    asked = client.post(
        reverse("screening:person-death", args=[marra.pk]),
        {"day": "2026-06-01", "source": "son"},
        follow=True,
    )
    assert "A second person decides." in asked.text
    assert "You asked, so somebody else decides." in client.get(reverse("screening:second-look")).text
    question = DeathQuestion.objects.get()
    alone = client.post(reverse("screening:death-decide", args=[question.pk]), {"agree": "1"}, follow=True)
    assert "Somebody else than the one who asked must decide." in alone.text
    done = signed_in(cast.COORDINATOR).post(
        reverse("screening:death-decide", args=[question.pk]), {"agree": "1"}, follow=True
    )
    assert "The death is in the book." in done.text
    assert Person.objects.get().deceased_on == date(2026, 6, 1)


def test_a_preview_counts_no_change_where_a_correction_holds(by: User, marra: Person) -> None:
    person_correct(by=by, person=marra, facts={"phone": "01632 2"}, note="called")
    content = "\n".join([",".join(COLUMNS), line(), "", ""]).encode()
    effect = register_effect(register_stage(by=by, content=content, file_name="x.csv"))
    assert (effect.changed, effect.fields) == (0, {})


def test_a_phone_number_that_cannot_be_is_refused_on_the_page_beside_its_field(
    signed_in: SignIn, marra: Person
) -> None:
    client, at = signed_in(cast.PHONE_DESK), reverse("screening:person-correct", args=[marra.pk])
    on_the_list(cast.PHONE_DESK, marra.pk)
    facts = {
        "family_name": "Tolvane",
        "given_names": "Marra",
        "birth_date": "1964-03-09",
        "sex": "female",
        "note": "called",
    }
    page = client.post(at, facts | {"phone": "abc"})
    assert page.status_code == 422
    assert "A phone number has 6 to 15 digits" in page.text
    marra.refresh_from_db()
    assert marra.phone == "01632 1"
