"""Two people at one referral: the second sees both values, who changed them and when, and loses nothing typed."""

from datetime import date, time

import pytest
from django.test import Client
from django.urls import reverse

from results.models import Referral
from results.referral_changes import FIELDS, TYPED_FOR, changes_since
from results.referral_story import said
from results.services import referrals as services
from tests import cast
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
WEDNESDAY = date(2026, 6, 17)


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def send(client: Client, referral: Referral, slug: str, seen: int, **typed: object) -> object:
    """Send a form drawn with move `seen`."""
    data = {f"{slug}-{name}": value for name, value in typed.items()} | {f"{slug}-seen": seen}
    return client.post(reverse("results:referral-do", args=[referral.pk, slug]), data)


def cells(text: str) -> list[list[str]]:
    """The rows of the table of changes."""
    import re

    body = text[text.index('id="h-changed"') :]
    body = body[body.index("<tbody>") : body.index("</tbody>")]
    rows = re.findall(r"<tr>(.*?)</tr>", body)
    return [
        [re.sub("<[^>]+>", "", cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row)]
        for row in rows
    ]


def test_the_second_of_two_dates_sees_the_first_beside_its_own(page: Client) -> None:
    referral = f.a_referral()
    seen, before = referral.last_seq, said(referral.due_on)
    services.referral_reschedule(
        by=f.liora(),
        referral=referral,
        due_on=date(2026, 6, 22),
        due_time=time(15),
        note="asked for a Monday",
    )
    answer = send(page, referral, "date", seen, due_on="2026-06-25", due_time="09:00", note="asked for it")
    text = answer.content.decode()
    assert answer.status_code == 409
    assert cells(text) == [
        ["Next date", before, "22 Jun 2026", "25 Jun 2026", "Nurse Liora Vantz, 17 Jun 2026, 12:00"],
        ["Time of day", "–", "15:00", "09:00", "Nurse Liora Vantz, 17 Jun 2026, 12:00"],
    ]
    assert "asked for it" in text
    assert Referral.objects.get(pk=referral.pk).due_on == date(2026, 6, 22)
    again = send(page, referral, "date", seen + 1, due_on="2026-06-25", due_time="09:00", note="asked for it")
    assert again.status_code == 302
    assert Referral.objects.get(pk=referral.pk).due_on == date(2026, 6, 25)


def test_each_change_names_the_one_who_made_it_last(page: Client) -> None:
    referral = f.a_referral()
    seen = referral.last_seq
    services.referral_claim(by=f.liora(), referral=referral)
    services.referral_hand_over(by=f.liora(), referral=referral, to=f.emrik())
    services.contact_attempt_record(by=f.liora(), referral=referral, outcome="spoke", wish="go_on")
    found = {str(one.field): one for one in changes_since(referral, seen, {"to": f.kaddrin()})}
    assert set(found) == {"What is needed", "Next date", "Held by"}
    assert (found["Held by"].was, found["Held by"].now, found["Held by"].yours) == (
        "Coordinators", "Dr Emrik Dauntel", "Kaddrin Fenwirth",
    )  # fmt: skip
    assert (found["What is needed"].was, found["What is needed"].now) == ("Reach the person", "Assess")


def test_two_assessments_of_one_person_stand_side_by_side(page: Client) -> None:
    referral = f.a_referral("to_assess")
    seen = referral.last_seq
    f.assess(referral, answers=f.ANSWERS | {"anticoagulants": True}, medicine_plan="Stop two days before.")
    typed = {key: "yes" if value else "no" for key, value in f.ANSWERS.items()}
    typed |= {"outcome": "conditions", "plan": "A morning list.", "preparation": "magnesium"}
    answer = send(page, referral, "assess", seen, **typed)
    assert answer.status_code == 409
    rows = {row[0]: row[1:4] for row in cells(answer.content.decode())}
    assert rows["Takes blood thinners?"] == ["–", "Yes", "No"]
    assert rows["Outcome"] == ["–", "fit for colonoscopy", "fit with conditions"]
    assert rows["Bowel preparation"] == ["–", "with macrogol (PEG)", "low volume, with magnesium"]
    assert rows["Plan and conditions"] == ["–", "–", "A morning list."]
    assert rows["What is needed"][:2] == ["Assess", "Book the examination"]
    assert "Has diabetes?" not in rows
    assert referral.assessments.count() == 1


def test_what_changed_and_changed_back_is_told_but_is_no_difference(page: Client) -> None:
    referral = f.a_referral()
    seen = referral.last_seq
    services.referral_claim(by=f.liora(), referral=referral)
    services.referral_hand_back(by=f.liora(), referral=referral)
    answer = send(page, referral, "attempt", seen, channel="phone", outcome="voicemail", note="kept")
    text = answer.content.decode()
    assert answer.status_code == 409
    assert "Nurse Liora Vantz holds the referral now." in text
    assert "When you opened the page" not in text


def test_every_typed_field_belongs_to_a_field_that_is_compared() -> None:
    assert set(TYPED_FOR.values()) <= set(FIELDS)
