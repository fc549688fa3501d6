"""The sealing desk, the papers that come back, messages in doubt, wishes and letter texts, as people see them."""

import io
import zipfile
from datetime import timedelta
from pathlib import Path
from typing import Any

import pypdf
import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from outreach import lanes
from outreach.letters.texts import texts_on
from outreach.models import Letter, LetterText, Message, PrintRun, Reprint, Wish
from outreach.services.freezing import letters_freeze
from outreach.services.messages import _claimed, messages_send
from outreach.services.print_runs import print_run_hand_over, print_run_make
from outreach.services.rendering import letter_render
from screening.models import Person
from staff import clock
from staff.acting import acting
from staff.models import AccessEntry
from tests import cast
from tests.factories import a_round, by_default
from tests.letters.samples import texts_delivered_of
from tests.looks import on_the_list
from tests.outreach.makers import a_patient, a_result, an_attempt, frozen
from tests.outreach.test_pages import a_ready_run, text
from tests.outreach.test_sending import a_message

pytestmark = pytest.mark.usefixtures("region")


@pytest.fixture
def office(signed_in: Any) -> Client:
    return signed_in(cast.PHONE_DESK)


def scanned(client: Client, token: str) -> str:
    return text(client.post(reverse("outreach:paper"), {"token": token}))


def test_a_scan_says_seal_pull_destroy_or_came_back(office: Client) -> None:
    run = a_ready_run(2)
    fine, dead = run.printed.order_by("position")
    Person.objects.filter(pk=dead.letter.person_id).update(deceased_on=clock.today(), next_due_on=None)
    assert "Put it into the envelope" in scanned(office, fine.token)
    page = scanned(office, dead.token)
    assert "Pull this paper" in page
    assert "The person has died" in page
    office.post(reverse("outreach:print-run-pull", args=[run.pk]), {"token": dead.token})
    assert "Destroy this paper" in scanned(office, dead.token)
    print_run_hand_over(by=by_default(), print_run=run)
    assert "It came back undelivered?" in scanned(office, fine.token)
    answer = office.post(reverse("outreach:paper-back"), {"token": fine.token}, follow=True)
    assert "Taken up as undelivered: a task of Call and recall office" in text(answer)
    assert "Known: it was taken up before" in scanned(office, fine.token)
    assert "has the token" in scanned(office, "nonsense")


def test_a_letter_that_came_back_is_settled_with_a_note(office: Client) -> None:
    run = a_ready_run(1)
    print_run_hand_over(by=by_default(), print_run=run)
    place = run.printed.get()
    office.post(reverse("outreach:paper-back"), {"token": place.token})
    url = reverse("outreach:undelivered-decide", args=[place.letter_id])
    assert "Nothing was changed" in text(office.post(url, {"do": "reached"}, follow=True))
    page = office.get(reverse("outreach:paper")).content.decode()
    assert 'value="reached"' in page
    assert 'value="again"' not in page, "an invitation without its kit"
    answer = text(office.post(url, {"do": "again", "note": "moved to number 9"}, follow=True))
    assert "goes out with its kit" in answer
    assert not Letter.objects.filter(state="owed").exists()
    answer = text(office.post(url, {"do": "reached", "note": "another kit is on its way"}, follow=True))
    assert "is settled" in answer
    assert "Nothing that came back waits." in answer
    once_more = office.post(reverse("outreach:paper-back"), {"token": place.token}, follow=True)
    assert "came back before and is settled" in text(once_more)


def test_a_letter_that_goes_without_a_kit_is_written_again(office: Client) -> None:
    run = a_ready_run(1)
    print_run_hand_over(by=by_default(), print_run=run)
    place = run.printed.get()
    Letter.objects.filter(pk=place.letter_id).update(kind="reminder")
    office.post(reverse("outreach:paper-back"), {"token": place.token})
    assert 'value="again"' in office.get(reverse("outreach:paper")).content.decode()
    url = reverse("outreach:undelivered-decide", args=[place.letter_id])
    answer = text(office.post(url, {"do": "again", "note": "moved to number 9"}, follow=True))
    assert "is settled" in answer
    assert "Nothing that came back waits." in answer
    assert Letter.objects.filter(kind="reminder", state="owed").count() == 1


def test_a_front_desk_takes_up_what_came_back_without_names(signed_in: Any) -> None:
    run = a_ready_run(1)
    print_run_hand_over(by=by_default(), print_run=run)
    client = signed_in(cast.FRONT_DESK)
    page = scanned(client, run.printed.get().token)
    assert "Tovelin" not in page
    assert client.post(reverse("outreach:paper-back"), {"token": run.printed.get().token}).status_code == 302
    assert Letter.objects.get().state == "undelivered"


def test_the_check_sheet_and_the_pages_that_do_not_add_up(office: Client) -> None:
    run = a_ready_run(2)
    page = text(office.get(reverse("outreach:print-run-check", args=[run.pk])))
    assert "2 letters that leave have 4 pages together" in page
    assert "Marra Tovelin" in page
    run.printed.filter(position=1).update(pages=1)
    assert "Do not seal" in text(office.get(reverse("outreach:print-run-check", args=[run.pk])))


def test_places_are_printed_again_from_the_page(office: Client) -> None:
    run = a_ready_run(2)
    url = reverse("outreach:print-run-reprint", args=[run.pk])
    asked = {"first": 1, "last": 1, "reason": "jam"}
    assert "Destroy the first papers" in text(office.post(url, asked, follow=True))
    assert "Places 1 to 1" in text(office.post(url, asked | {"destroyed": "on"}, follow=True))
    made = Reprint.objects.get()
    paper = office.get(reverse("outreach:reprint-document", args=[made.pk]))
    assert len(pypdf.PdfReader(io.BytesIO(paper.content)).pages) == 2
    assert AccessEntry.objects.filter(place="outreach:reprint-document").count() == 1


def test_a_run_is_given_to_a_contractor_from_the_page(office: Client) -> None:
    run = a_ready_run(1)
    url = reverse("outreach:print-run-file", args=[run.pk])
    assert f"{run.number}-F1" in text(office.post(url, follow=True))
    assert f"{run.number}-F1" in text(office.post(url, follow=True))
    made = run.files.get()
    parcel = office.get(reverse("outreach:file-parcel", args=[made.pk]))
    assert zipfile.ZipFile(io.BytesIO(parcel.content)).namelist() == [
        f"{made.file_id}.csv",
        f"{made.file_id}.pdf",
    ]


def test_a_message_in_doubt_stands_on_the_page_until_somebody_looked(
    office: Client, tmp_path: Path, settings: Any
) -> None:
    letter = a_message(tmp_path, settings)
    messages_send(by=by_default(), limit=0)
    _claimed(by=by_default(), limit=5)
    with clock.at(clock.now() + timedelta(minutes=11)):
        page = text(office.get(reverse("outreach:mail")))
        assert "Messages nobody is sure of" in page
        url = reverse("outreach:doubt-decide", args=[Message.objects.get().pk])
        assert "Nothing was changed" in text(office.post(url, {"do": "sent"}, follow=True))
        assert "is settled" in text(office.post(url, {"do": "sent", "note": "in their list"}, follow=True))
        assert "Messages nobody is sure of" not in text(office.get(reverse("outreach:mail")))
    letter.refresh_from_db()
    assert letter.state == "handed_over"


def test_a_doctors_copy_that_waits_for_the_first_call_says_so_and_is_not_late(signed_in: Any) -> None:
    office = signed_in(cast.PHONE_DESK)
    result = a_result("64.2", authorised=clock.today() - timedelta(days=4))
    frozen("result_more_tests")
    page = text(office.get(reverse("outreach:mail")))
    assert "they wait for the first call to the person and the person&#x27;s own letter" in page
    print_run_make(by=by_default(), kind="result_more_tests")
    an_attempt(result)
    letters_freeze(by=by_default())
    page = text(office.get(reverse("outreach:mail")))
    assert "1 waited for the first call and is ready since today" in page
    assert ">late<" not in page.replace(" ", "")
    with clock.at(clock.now() + timedelta(days=1)):
        (row,) = lanes.ready_rows(clock.today())
        assert row.overdue, "from the next day on it is late"


def test_wishes_are_written_down_beside_the_letters(office: Client) -> None:
    person = a_patient(phone="01632 960 777")
    on_the_list(cast.PHONE_DESK, person.pk)
    panel = text(office.get(reverse("outreach:person-panel", args=[person.pk])))
    assert "How this person wants to hear from us" in panel
    url = reverse("outreach:wishes", args=[person.pk])
    assert "Say how we know" in text(office.post(url, {"form": "easy", "text": "on"}, follow=True))
    assert "No e-mail address" in text(
        office.post(url, {"form": "easy", "email": "on", "source": "call"}, follow=True)
    )
    office.post(url, {"form": "easy", "text": "on", "source": "call of today"})
    wish = Wish.objects.get()
    assert (wish.form, wish.text_since, wish.email_since) == ("easy", clock.today(), None)
    a_round(person, sent_days_ago=1)
    assert frozen("invitation")[0].form == "easy"


def test_a_request_about_data_is_answered_by_letter_after_a_look_at_who_asks(office: Client) -> None:
    person = a_patient()
    url = reverse("outreach:reply", args=[person.pk])
    said = {"reply": "We hold your name and two results. A copy is enclosed."}
    on_the_list(cast.PHONE_DESK, person.pk)
    assert "who is asking" in text(office.post(url, said, follow=True))
    assert not Letter.objects.exists()
    panel = reverse("outreach:person-panel", args=[person.pk])
    assert said["reply"] in text(office.get(panel)), "what was typed is lost"
    assert said["reply"] not in text(office.get(panel)), "it is shown again once"
    office.post(url, said | {"identity": "passport seen"})
    letters_freeze(by=by_default())
    assert Letter.objects.get().context["reply"] == said["reply"]


GOOD = texts_delivered_of("reminder").source
CHANGED = GOOD.replace("Have you still got your bowel test kit?", "Do you still have your kit?", 1)


def test_a_text_is_written_by_one_and_approved_by_another_from_a_day_on(signed_in: Any) -> None:
    writer = signed_in(cast.MANAGER)
    assert "reminder-1" in text(writer.get(reverse("outreach:texts")))
    url = reverse("outreach:text-propose", args=["reminder"])
    bad = writer.post(url, {"words": GOOD.replace("@symptoms", "", 1), "why": "shorter"})
    assert bad.status_code == 422
    assert "the caution is missing: symptoms" in text(bad)
    writer.post(url, {"words": CHANGED, "why": "shorter heading"})
    draft = LetterText.objects.get()
    decide = reverse("outreach:text-decide", args=[draft.pk])
    today = str(clock.today())
    assert "Somebody else approves" in text(
        writer.post(decide, {"do": "approve", "valid_from": today}, follow=True)
    )
    assert texts_on(clock.today())["reminder"].number == 1
    tomorrow = clock.today() + timedelta(days=1)
    second = signed_in(cast.CLINICIAN)
    second.post(decide, {"do": "approve", "valid_from": str(tomorrow)})
    assert texts_on(clock.today())["reminder"].number == 1
    assert texts_on(tomorrow)["reminder"].number == 2
    a_round(a_patient(), sent_days_ago=40)
    with clock.at(clock.now() + timedelta(days=1)):
        (letter,) = frozen("reminder")
        assert letter.text_version == "reminder-2-en"
        page = pypdf.PdfReader(io.BytesIO(letter_render(letter=letter).content)).pages[0].extract_text()
        assert "Do you still have your kit?" in page
    with (
        pytest.raises(IntegrityError, match="approved_text_stands"),
        transaction.atomic(),
        acting(by_default()),
    ):
        LetterText.objects.update(words="other")
    assert "Version 2 from" in text(second.get(reverse("outreach:text", args=["reminder"])))


def test_the_look_shows_every_variant_as_it_is_typed_and_saves_nothing(signed_in: Any) -> None:
    client = signed_in(cast.MANAGER)
    page = text(client.post(reverse("outreach:text-look", args=["reminder"]), {"words": CHANGED}))
    assert page.count("letter-body") == 4
    assert "Do you still have your kit?" in page
    assert "reading age" in page
    broken = text(
        client.post(reverse("outreach:text-look", args=["reminder"]), {"words": CHANGED + "\n{nobody"})
    )
    assert "a field is written as one name in braces" in broken
    evil = CHANGED.replace("=== en easy", "<script>alert(1)</script>\n=== en easy", 1)
    assert (
        "<script>alert"
        not in client.post(reverse("outreach:text-look", args=["reminder"]), {"words": evil}).content.decode()
    )
    assert not LetterText.objects.exists()


@pytest.mark.parametrize("form", ["standard", "easy", "large"])
def test_a_draft_is_seen_on_paper_before_it_is_approved(signed_in: Any, form: str) -> None:
    client = signed_in(cast.MANAGER)
    client.post(reverse("outreach:text-propose", args=["reminder"]), {"words": CHANGED, "why": "x"})
    paper = client.get(reverse("outreach:text-paper", args=["reminder", "en", form]))
    page = pypdf.PdfReader(io.BytesIO(paper.content)).pages[0].extract_text()
    assert ("Do you still have" in page) == (form != "easy")
    draft = LetterText.objects.get()
    client.post(reverse("outreach:text-decide", args=[draft.pk]), {"do": "drop"})
    assert not LetterText.objects.exists()


def test_every_text_page_opens(signed_in: Any) -> None:
    client = signed_in(cast.ADMINISTRATOR)
    for kind in ("invitation", "appointment", "site_chase", "next_step_doctor"):
        assert client.get(reverse("outreach:text", args=[kind])).status_code == 200
    assert client.get(reverse("outreach:text", args=["nothing"])).status_code == 404
    assert PrintRun.objects.count() == 0
