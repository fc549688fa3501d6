"""Today's mail, a print run and a person's letters, as people see them; commands and the sweep."""

import csv
import io
import json
from datetime import timedelta
from typing import Any

import pypdf
import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from outreach import tasks
from outreach.checks import letter_libraries
from outreach.models import Letter, PrintRun
from outreach.services.print_runs import print_run_make
from outreach.services.rendering import print_run_render
from screening.models import Lot, Person
from screening.services.batches import batch_open, kits_stock
from staff import clock
from staff.models import AccessEntry
from tests import cast
from tests.factories import a_delivery, a_round, by_default
from tests.looks import on_the_list
from tests.outreach.makers import a_patient, a_result, frozen, planned

pytestmark = pytest.mark.usefixtures("region")
GET_NAMES = ["mail", "print-run", "print-run-document", "print-run-manifest"]


@pytest.fixture
def office(signed_in: Any) -> Client:
    return signed_in(cast.PHONE_DESK)


def a_ready_run(count: int = 2) -> PrintRun:
    """A print run with its document."""
    for _n in range(count):
        a_round(a_patient(), sent_days_ago=1)
    frozen()
    return print_run_render(by=by_default(), print_run=print_run_make(by=by_default()))


def text(response: Any) -> str:
    return " ".join(response.content.decode().split())


def test_the_empty_page_says_what_was_looked_at(office: Client) -> None:
    page = office.get(reverse("outreach:mail"))
    assert page.status_code == 200
    assert "No letter is held." in text(page)
    assert "Nothing is ready to print." in text(page)


def test_from_ready_to_print_to_handed_over(office: Client) -> None:
    a_round(a_patient(), sent_days_ago=1)
    frozen()
    assert "Invitation with kit" in text(office.get(reverse("outreach:mail")))
    office.post(reverse("outreach:print-run-make"), {"kind": "invitation"})
    run = PrintRun.objects.get()
    assert run.made_by.username == cast.PHONE_DESK
    assert "being made" in text(office.get(reverse("outreach:mail")))
    print_run_render(by=by_default(), print_run=run)
    answer = office.post(reverse("outreach:print-run-hand-over", args=[run.pk]), follow=True)
    assert "1 letter was handed over." in text(answer)
    again = office.post(reverse("outreach:print-run-hand-over", args=[run.pk]), follow=True)
    assert "handed over before" in text(again)
    assert Letter.objects.get().state == "handed_over"


def test_the_document_and_manifest_of_a_run(office: Client) -> None:
    run = a_ready_run(2)
    document = office.get(reverse("outreach:print-run-document", args=[run.pk]))
    assert document["Content-Type"] == "application/pdf"
    assert len(pypdf.PdfReader(io.BytesIO(document.content)).pages) == run.pages_count
    assert AccessEntry.objects.filter(place="outreach:print-run-document").count() == 2
    manifest = office.get(reverse("outreach:print-run-manifest", args=[run.pk]))
    rows = list(csv.DictReader(io.StringIO(manifest.content.decode())))
    assert [(r["position"], r["first_page"], r["pages"]) for r in rows] == [("1", "1", "2"), ("2", "3", "2")]
    assert {int(r["person"]) for r in rows} == set(Person.objects.values_list("pk", flat=True))


def test_a_late_death_is_pulled_before_the_run_can_leave(office: Client) -> None:
    run = a_ready_run(2)
    printed = run.printed.get(position=2)
    Person.objects.filter(pk=printed.letter.person_id).update(deceased_on=clock.today(), next_due_on=None)
    page = text(office.get(reverse("outreach:print-run", args=[run.pk])))
    assert printed.token in page
    assert "The person has died" in page
    refused = office.post(reverse("outreach:print-run-hand-over", args=[run.pk]), follow=True)
    assert "Pull 1 letters out of the pile first" in text(refused)
    wrong = office.post(reverse("outreach:print-run-pull", args=[run.pk]), {"token": "nonsense"})
    assert wrong.status_code == 422
    assert "has the token" in text(wrong)
    office.post(reverse("outreach:print-run-pull", args=[run.pk]), {"token": printed.token})
    answer = office.post(reverse("outreach:print-run-hand-over", args=[run.pk]), follow=True)
    assert "1 letter was handed over." in text(answer)
    printed.letter.refresh_from_db()
    assert (printed.letter.state, printed.letter.close_reason) == ("cancelled", "died")


def test_a_held_letter_is_decided_with_a_note(office: Client) -> None:
    a_round(a_patient(hidden_address=True), sent_days_ago=1)
    (letter,) = planned()
    assert "The address is protected." in text(office.get(reverse("outreach:mail")))
    url = reverse("outreach:held-decide", args=[letter.pk])
    assert "Nothing was changed" in text(office.post(url, {"do": "release"}, follow=True))
    assert "The letter goes on." in text(office.post(url, {"do": "release", "note": "by hand"}, follow=True))
    letter.refresh_from_db()
    assert letter.state == "owed"


def test_the_office_does_not_decide_for_the_coordinator(signed_in: Any) -> None:
    result = a_result("64.2", authorised=clock.today() - timedelta(days=2))
    Person.objects.filter(pk=result.person_id).update(deceased_on=clock.today(), next_due_on=None)
    (letter,) = planned("result_more_tests")
    url = reverse("outreach:held-decide", args=[letter.pk])
    assert signed_in(cast.PHONE_DESK).post(url, {"do": "cancel", "note": "dead"}).status_code == 403
    answer = signed_in(cast.COORDINATOR).post(url, {"do": "cancel", "note": "Told the unit"}, follow=True)
    assert "The letter was cancelled." in text(answer)


def test_an_administrator_sees_the_work_but_nobodys_name(signed_in: Any) -> None:
    a_round(a_patient(hidden_address=True, family_name="Quorvane"), sent_days_ago=1)
    run = a_ready_run(1)
    client = signed_in(cast.ADMINISTRATOR)
    page = text(client.get(reverse("outreach:mail")))
    assert "The address is protected." in page
    assert "Quorvane" not in page
    assert client.get(reverse("outreach:print-run-document", args=[run.pk])).status_code == 403
    assert not AccessEntry.objects.exists()


def test_the_page_says_which_post_delays_reminders(office: Client) -> None:
    a_delivery(arrived=clock.today() - timedelta(days=2))
    assert "Quillport Harbour Clinic" in text(office.get(reverse("outreach:mail")))


def test_a_persons_letters_and_their_paper(signed_in: Any) -> None:
    result = a_result("64.2", authorised=clock.today() - timedelta(days=2))
    frozen()
    client, at = signed_in(cast.CLINICIAN), reverse("outreach:person-panel", args=[result.person_id])
    answer = client.get(at)
    assert answer.url == reverse("screening:person", args=[result.person_id]), "nobody was asked why"
    assert not AccessEntry.objects.filter(person_id=result.person_id).exists()
    on_the_list(cast.CLINICIAN, result.person_id)
    panel = client.get(at)
    assert "Result: more tests needed" in text(panel)
    assert "<html" not in panel.content.decode()
    letter = Letter.objects.get(kind="result_more_tests")
    paper = client.get(reverse("outreach:letter-pdf", args=[letter.pk]))
    assert "You need more tests" in pypdf.PdfReader(io.BytesIO(paper.content)).pages[0].extract_text()
    places = set(AccessEntry.objects.values_list("place", flat=True))
    assert {"outreach:person-panel", "outreach:letter-pdf"} <= places


def test_a_letter_without_fixed_words_says_so(signed_in: Any) -> None:
    a_round(a_patient(), sent_days_ago=1)
    (letter,) = planned()
    answer = signed_in(cast.CLINICIAN).get(reverse("outreach:letter-pdf", args=[letter.pk]))
    assert answer.status_code == 422
    assert "not fixed yet" in text(answer)


@pytest.mark.parametrize("who", [cast.FRONT_DESK, cast.LABORATORY, cast.AUDITOR])
def test_other_desks_have_no_mail(signed_in: Any, who: str) -> None:
    run = a_ready_run(1)
    client = signed_in(who)
    for name in GET_NAMES:
        assert (
            client.get(reverse(f"outreach:{name}", args=[run.pk] if name != "mail" else [])).status_code
            == 403
        )
    person = Person.objects.get()
    assert client.get(reverse("outreach:person-panel", args=[person.pk])).status_code == 403


def test_the_sweep_plans_freezes_and_rings_for_waiting_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    a_round(a_patient(), sent_days_ago=1)
    tasks.sweep()
    assert Letter.objects.get().state == "frozen"
    run = print_run_make(by=by_default())
    rung: list[int] = []
    monkeypatch.setattr(tasks.render_print_run, "delay", rung.append)
    tasks.sweep()
    assert rung == [run.pk]
    tasks.render_print_run(run.pk)
    run.refresh_from_db()
    assert run.status == "ready"
    tasks.sweep()
    assert rung == [run.pk]


def _said(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(capsys.readouterr().out.strip().splitlines()[-1])
    return found


def test_the_commands_say_what_they_did(capsys: pytest.CaptureFixture[str], tmp_path: Any) -> None:
    a_round(a_patient(), sent_days_ago=1)
    call_command("plan_letters", "--dry-run")
    assert _said(capsys) == {"dry_run": True, "frozen": 1, "invitation": 1, "todo": 2}
    assert not Letter.objects.exists()
    call_command("plan_letters")
    assert _said(capsys)["frozen"] == 1
    call_command("print_letters", "--dry-run")
    assert _said(capsys) == {"dry_run": True, "ready": {"invitation": 1}}
    call_command("print_letters", "--to", str(tmp_path), "--by", cast.PHONE_DESK)
    (made,) = _said(capsys)["print_runs"]
    assert (made["letters"], made["pages"]) == (1, 2)
    assert (tmp_path / f"{made['number']}.pdf").read_bytes().startswith(b"%PDF")
    call_command("plan_letters", "--repair", str(clock.today() - timedelta(days=9)))
    assert _said(capsys) == {"dry_run": False, "frozen": 0, "rounds": 1}


def test_a_machine_without_the_libraries_is_told_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    assert letter_libraries(None) == []
    monkeypatch.setattr("outreach.checks.find_library", lambda _name: None)
    found = letter_libraries(None)
    assert [x.id for x in found] == ["outreach.W001", "outreach.W002"]
    assert "apt-get install" in str(found[0].hint)


def test_a_batch_says_how_far_its_invitations_are(signed_in: Any) -> None:
    by = cast.member(cast.MANAGER)
    kits_stock(by=by, lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    for _n in range(2):
        a_patient(next_due_on=clock.today())
    batch = batch_open(by=by, size=2)
    address = reverse("outreach:batch-panel", args=[batch.pk])
    client = signed_in(cast.MANAGER)
    assert "No invitation is planned yet" in text(client.get(address))
    frozen()
    said = text(client.get(address))
    assert "2 × " in said
    assert "Today's mail" not in said, "managers do not print"
    assert address in text(client.get(reverse("screening:batch", args=[batch.pk])))
    assert "Today's mail" in text(signed_in(cast.PHONE_DESK).get(address))
