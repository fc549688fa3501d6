"""Medical exclusions: an end for everyone, lasting only by a second person who may, back on the list by itself.

Source: the programme's job description 2.2 (exceptions 4, 6, 8), 3a (for good: clinician or manager), invariant I31.
"""

from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from screening.models import Exclusion, Lot, Person, Round
from screening.services.batches import kits_stock
from screening.services.due import due_dates_refresh, person_eligibility
from screening.services.exclusions import RECORDABLE, exclusion_confirm, exclusion_end, exclusion_record
from screening.services.people import postponement_record
from screening.services.rounds import rounds_close
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User
from tests import cast, factories

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
SIX_MONTHS = date(2026, 12, 17)
SignIn = Callable[[str], Client]


@pytest.fixture
def by() -> User:
    return cast.member(cast.PHONE_DESK)


@pytest.mark.parametrize("kind", [kind.value for kind in RECORDABLE])
def test_every_kind_ends_after_six_months_unless_made_lasting(by: User, kind: str) -> None:
    round_ = factories.a_round(state="kit_due")
    exclusion = exclusion_record(
        by=by, person=round_.person, kind=kind, note="said on the phone, doctor asked"
    )
    assert exclusion.until == SIX_MONTHS
    assert Round.objects.get(pk=round_.pk).close_reason == "excluded"
    assert Person.objects.get(pk=round_.person_id).next_due_on == SIX_MONTHS, "back by herself, and that day"
    exclusion_confirm(by=cast.member(cast.CLINICIAN), exclusion=exclusion)
    person = Person.objects.get(pk=round_.person_id)
    assert (person.next_due_on, person.not_due_code) == (None, "excluded_for_good")


def test_nobody_makes_her_own_record_last_and_no_desk_does(by: User) -> None:
    person = factories.a_person()
    nurse = cast.member(cast.NURSE)
    exclusion = exclusion_record(by=nurse, person=person, kind="colectomy", note="letter")
    for who, code in (
        (nurse, "second_person"),
        (by, "role_missing"),
        (cast.member(cast.COORDINATOR), "role_missing"),
    ):
        with pytest.raises(NotAllowed) as refused:
            exclusion_confirm(by=who, exclusion=exclusion)
        assert refused.value.code == code
    done = exclusion_confirm(by=cast.member(cast.CLINICIAN), exclusion=exclusion)
    with pytest.raises(NotAllowed):
        exclusion_end(by=by, exclusion=done, note="she says it was not so")
    exclusion_end(by=cast.member(cast.MANAGER), exclusion=done, note="letter was about another person")
    due_dates_refresh(by=by)
    assert Person.objects.get().next_due_on is not None


@pytest.mark.parametrize(
    ("kind", "until", "code"),
    [
        ("postponed", None, "kind_unknown"), ("surveillance", None, "kind_unknown"), ("to_look_at", None, "kind_unknown"),
        ("colectomy", TODAY, "day_wrong"), ("colectomy", date(2027, 6, 18), "day_wrong"),
        ("recent_colonoscopy", date(2036, 6, 18), "day_wrong"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(by: User, kind: str, until: date, code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        exclusion_record(by=by, person=factories.a_person(), kind=kind, until=until, note="x")
    assert refused.value.code == code


def test_after_a_colonoscopy_years_are_possible_and_without_a_reason_nothing(by: User) -> None:
    person = factories.a_person()
    assert exclusion_record(
        by=by, person=person, kind="recent_colonoscopy", until=date(2031, 3, 1), note="report seen"
    ).until
    with pytest.raises(RoundbookError, match="how we know"):
        exclusion_record(by=by, person=person, kind="colectomy", note=" ")


def test_a_postponement_ends_early_and_surveillance_never_here(by: User) -> None:
    person = factories.a_person()
    due_dates_refresh(by=by)
    wait = postponement_record(by=by, person=person, until=date(2026, 9, 1))
    exclusion_end(by=by, exclusion=wait, note="back from her journey")
    assert Person.objects.get().next_due_on == date(2026, 6, 18)
    plan = Exclusion.objects.create(person=person, kind="surveillance", since=TODAY, confirmed=True)
    with pytest.raises(IllegalMove):
        exclusion_end(by=cast.member(cast.CLINICIAN), exclusion=plan, note="x")


def test_an_exclusion_is_recorded_confirmed_and_ended_from_the_page(signed_in: SignIn) -> None:
    person = factories.a_person()
    at = reverse("screening:person-exclude", args=[person.pk])
    client = signed_in(cast.PHONE_DESK)
    wrong = client.post(at, {"kind": "colectomy", "note": "x", "until": "2020-01-01"})
    assert (wrong.status_code, "The end lies after today" in wrong.text) == (422, True)
    done = client.post(at, {"kind": "colectomy", "note": "told on the phone", "until": ""}, follow=True)
    assert "Left out until 17 December 2026." in done.text
    assert "Not due: excluded for a time for a medical reason." in done.text
    assert "Confirm: for good" not in done.text
    one = reverse("screening:exclusion", args=[Exclusion.objects.get().pk])
    done = signed_in(cast.CLINICIAN).post(one, {"confirm": "1"}, follow=True)
    assert "Confirmed: left out for good." in done.text
    done = signed_in(cast.CLINICIAN).post(one, {"note": "was a slip"}, follow=True)
    assert "Ended." in done.text
    with clock.at(clock.now()):
        assert person_eligibility(Person.objects.get(), on=date(2026, 6, 19)).due


# Source: job description 2.4, exception 4, and 4.2: one tap on the phone, the same day.
def test_another_kit_is_sent_at_once_from_the_phone(signed_in: SignIn, by: User) -> None:
    round_ = factories.a_round()
    kit = round_.kits.get()
    client, at = signed_in(cast.PHONE_DESK), reverse("screening:kit-lost", args=[kit.pk])
    nothing = client.post(at, {"now": "1"}, follow=True)
    assert "1 kit is missing" in nothing.text, "no kit in stock: nothing is done"
    assert Round.objects.get(pk=round_.pk).state == "kit_out"
    kit.refresh_from_db()
    assert (kit.state, kit.void_on) == ("dispatched", None)
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    done = client.post(at, {"now": "1"}, follow=True)
    assert "another one is on its way today" in done.text
    states = list(round_.kits.order_by("ordinal").values_list("state", flat=True))
    assert states == ["reported_lost", "dispatched"]
    assert Round.objects.get(pk=round_.pk).state == "kit_out"
    for _ in range(3):
        last = round_.kits.order_by("-ordinal").first()
        answer = client.post(reverse("screening:kit-lost", args=[last.pk]), {"now": "1"}, follow=True)
    assert "all replacements of the round are used up" in answer.text
    assert round_.kits.count() == 3
    other = factories.a_round()
    rounds_close(by=by, round_ids=[other.pk], reason="declined")
    stale = client.post(reverse("screening:kit-lost", args=[other.kits.get().pk]), {"now": "1"}, follow=True)
    assert "the person may not be invited now" in stale.text
