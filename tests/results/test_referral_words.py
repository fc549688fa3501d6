"""What a referral's page says of the person, its dates and its demands, and where its addresses lead."""

from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from results.models import Referral
from staff import clock
from tests import cast
from tests.results import follow_up as f
from tests.results.follow_up import do

QUEUE = "/follow-up/"
WEDNESDAY = date(2026, 6, 17)


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def look(client: Client, referral: Referral) -> str:
    """The page of a referral."""
    answer = client.get(reverse("results:referral", args=[referral.pk]))
    assert answer.status_code == 200
    return answer.content.decode()


def text_of(page: Client, referral: Referral) -> str:
    """What the record says."""
    return " ".join(page.get(reverse("results:referral", args=[referral.pk])).content.decode().split())


def test_who_calls_reads_the_birth_date_and_a_script_that_gives_nothing_away(page: Client) -> None:
    referral = f.a_referral()
    born = referral.person.birth_date
    text = text_of(page, referral)
    assert f"born {born.day} {born:%B %Y}" in text
    assert "nothing that cannot wait" not in text
    assert "Say neither why you call, nor whether it is urgent" in text
    assert "days overdue" not in text


def test_an_overdue_next_date_is_marked_on_the_record_too(page: Client) -> None:
    referral = f.a_referral()
    with clock.at(clock.moment(referral.due_on + timedelta(days=2), 9)):
        page.force_login(cast.member(cast.COORDINATOR))
        assert "2 days overdue" in text_of(page, referral)


def test_a_person_who_declines_is_not_called_undecided(page: Client) -> None:
    referral = f.a_referral()
    answer = do(page, referral, "talk", wish="declines")
    said = page.get(answer["Location"]).content.decode()
    assert "Now needed: undecided or declining: talk with the person." in said
    text = text_of(page, referral)
    assert "Does not want the examination. A clinician talks with the person next." in text
    assert "thinking about it" not in text.split("Something else")[0]


def test_a_date_says_the_protocols_number_of_days_and_one_specimen_is_one(page: Client) -> None:
    referral = f.a_referral("report_due")
    assert "The report is due 5 days after the examination" in text_of(page, referral)
    f.report(referral, specimens=1, finding="non_advanced")
    text = text_of(page, referral)
    assert "Histology is due 10 working days after the examination" in text
    assert "1 specimen;" in text
    assert "advanced_" not in str(referral.examinations.get())


def test_what_another_answer_demands_is_not_called_optional(page: Client) -> None:
    text = text_of(page, f.a_referral())
    form = text.split('id="do-close"')[1].split("</form>")[0]
    assert "For a refusal: the main reason" in form
    assert "main reason <span" not in form


@pytest.mark.parametrize("slug", ["assess", "talk", "nonsense"])
def test_reading_an_address_that_takes_a_form_leads_to_the_record(page: Client, slug: str) -> None:
    referral = f.a_referral()
    answer = page.get(reverse("results:referral-do", args=[referral.pk, slug]))
    assert (answer.status_code, answer["Location"]) == (302, reverse("results:referral", args=[referral.pk]))
    for name in ("hands-level", "surveillance-take-up", "calendar-begin"):
        assert page.get(reverse(f"results:{name}")).status_code == 302
    assert page.put(reverse("results:hands-level")).status_code == 405
