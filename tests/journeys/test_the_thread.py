"""The thread: from a register file to a closed referral, driven in a browser against the running stack.

Every figure at the end is counted by hand from the files: 60 people invited, 40 kits back (fixtures/readings_good.csv
has 40 lines, of which kits 7, 19 and 33 are at or above 20 µg/g).
"""

import io
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pypdf
import pypdfium2
import pytest
import zxingcpp

from results.assessment_rules import QUESTIONS
from results.models import Referral, Result
from screening.models import Kit, Lot, Person, Round
from screening.serials import serial_make
from screening.services.batches import kits_stock
from staff import clock
from tests import cast
from tests.conftest import NOON
from tests.journeys.desk import Desk, at_desk
from tests.journeys.stack import Stack

pytestmark = [pytest.mark.stack, pytest.mark.browser, pytest.mark.timeout(600)]
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
INVITED, BACK, HIGH = 60, 40, (7, 19, 33)


def test_from_a_register_file_to_a_closed_referral(stack: Stack, browser: Any) -> None:
    with clock.at(NOON - timedelta(days=2)):
        lot = Lot.objects.order_by("pk").first()
        kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=lot, first_number=1, count=100)
    with at_desk(browser, stack, cast.ADMINISTRATOR) as desk:
        load_the_register(desk)
    with at_desk(browser, stack, cast.PHONE_DESK) as desk:
        invite(desk)
    with at_desk(browser, stack, cast.FRONT_DESK) as desk:
        log_the_post(desk)
    with at_desk(browser, stack, cast.LABORATORY) as desk:
        measure_in_control(desk)
    with at_desk(browser, stack, cast.LAB_LEAD) as desk:
        release(desk)
    with at_desk(browser, stack, cast.PHONE_DESK) as desk:
        send_the_results(desk)
    with at_desk(browser, stack, cast.NURSE) as desk:
        carry_to_a_written_end(desk)
    with at_desk(browser, stack, cast.MANAGER) as desk:
        read_the_figures(desk)


def load_the_register(desk: Desk) -> None:
    desk.go("/register/")
    desk.page.set_input_files("input[type=file]", FIXTURES / "register_500.csv")
    desk.page.locator("form:has(input[type=file]) button[type=submit]").click()
    desk.page.wait_for_url("**/register/*/")
    desk.press("Apply this file")
    desk.says("applied")
    assert Person.objects.count() == 500


def invite(desk: Desk) -> None:
    desk.go("/invite/")
    desk.page.fill("input[name=size]", str(INVITED))
    desk.press("Open the batch")
    batch_address = desk.page.url
    assert Round.objects.filter(state="kit_due").count() == INVITED
    document = print_and_hand_over(desk, "Invitation")
    assert_invitations(document)
    desk.page.goto(batch_address)
    desk.agree("Hand to the post", "Yes, they are posted")
    assert Kit.objects.filter(state="dispatched").count() == INVITED


def print_and_hand_over(desk: Desk, kind: str) -> bytes:
    """Make a print run of one kind, wait for the worker's document, hand it over, and return the PDF."""
    desk.go("/mail/")
    desk.reload_until(kind)
    row = desk.page.locator("#print tr", has_text=kind).first
    row.get_by_role("button", name="Make a print run").click()
    number = re.search(r"P[0-9]{6}-[0-9]+", desk.page.locator("main").inner_text()).group()
    desk.follow(number)
    desk.reload_until("Hand over")
    document = desk.download("a[href$='/document/']")
    desk.agree("Hand over", "Handed over")
    desk.says("anded over")
    return document


def assert_invitations(document: bytes) -> None:
    """Right person, right words, and a barcode that a scanner reads as that person's kit."""
    pages = pypdf.PdfReader(io.BytesIO(document)).pages
    serials = {
        kit.serial: kit.round.person
        for kit in Kit.objects.filter(state="assigned").select_related("round__person")
    }
    found = {}
    for page in pages:
        text = page.extract_text()
        match = re.search(r"TK[0-9]{9}[0-9A-Z]", text)
        if match:
            found[match.group()] = text
    assert set(found) == set(serials)
    for serial, person in serials.items():
        assert person.family_name in found[serial]
        others = {p.family_name for p in serials.values()} - {person.family_name}
        assert not [name for name in others if re.search(rf"\b{name}\b", found[serial])]
    whole = " ".join(page.extract_text() for page in pages).replace("\n", " ")
    assert "doctor" in whole
    assert "No test" in whole or "no test" in whole
    paper = pypdfium2.PdfDocument(document)
    for index in (0, len(paper) // 2):
        page_serials = re.findall(r"TK[0-9]{9}[0-9A-Z]", pages[index].extract_text())
        if page_serials:
            codes = zxingcpp.read_barcodes(paper[index].render(scale=3).to_pil())
            assert page_serials[0] in {code.text for code in codes}


def log_the_post(desk: Desk) -> None:
    desk.go("/post/")
    desk.page.get_by_label("Quillport Harbour Clinic").or_(
        desk.page.locator("select[name$=site]")
    ).first.wait_for()
    if desk.page.locator("select[name$=site]").count():
        desk.page.locator("select[name$=site]").select_option(label="Quillport Harbour Clinic")
    else:
        desk.page.get_by_label("Quillport Harbour Clinic").check()
    desk.page.locator("main form button[type=submit]").first.click()
    desk.page.wait_for_selector("#raw")
    for number in range(1, BACK + 1):
        scan(desk, serial_make(number))
        scan(desk, "15")
    assert Round.objects.filter(state="result_due").count() == BACK
    assert desk.page.evaluate("document.activeElement.id") == "raw"


def scan(desk: Desk, text: str) -> None:
    """What a scanner sends: the text and Enter; wait until the page has answered."""
    before = desk.page.locator("input[name=sequence]").input_value()
    desk.page.locator("#raw").press_sequentially(text)
    desk.page.keyboard.press("Enter")
    desk.page.wait_for_function(
        "old => document.querySelector('input[name=sequence]').value !== old", arg=before
    )


def controls(desk: Desk, form: str) -> None:
    for field, value in zip(
        desk.page.locator(f"{form} input[name*=control_]").all(), ("90.5", "477"), strict=True
    ):
        field.fill(value)


def measure_in_control(desk: Desk) -> None:
    desk.go("/lab/day/?analyser=Q1")
    desk.page.locator("input[name=unit][value='ng/mL']").check()
    controls(desk, "main form")
    desk.press("Judge the controls")
    desk.page.wait_for_url("**/lab/runs/*/")
    desk.page.set_input_files("input[type=file]", FIXTURES / "readings_good.csv")
    desk.press("Load the file")
    desk.says("taken")
    desk.go("/lab/day/")
    desk.follow("Go on with the run")
    controls(desk, "form[action$='/close/']")
    desk.press("Close the run")
    desk.says("in control")


def release(desk: Desk) -> None:
    desk.go("/release/")
    desk.page.locator("details.ask summary").first.click()
    desk.page.locator("details.ask form button").first.click()
    desk.page.wait_for_load_state("load")
    assert Result.objects.filter(side="below").count() == BACK - len(HIGH)
    for number in HIGH:
        desk.go("/release/")
        desk.follow(serial_make(number))
        desk.press("Release as at or above")
    assert {r.sample.serial for r in Result.objects.filter(side="at_or_above")} == {
        serial_make(n) for n in HIGH
    }
    assert Referral.objects.exclude(state="closed").count() == len(HIGH)


def send_the_results(desk: Desk) -> None:
    below = print_and_hand_over(desk, "no further tests")
    more = print_and_hand_over(desk, "more tests")
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(more)).pages)
    high = Person.objects.filter(referrals__isnull=False)
    assert all(person.family_name in text for person in high)
    assert "positive" not in text.lower()
    assert "does not have cancer" in text.replace("\n", " ") or "do not have cancer" in text.replace(
        "\n", " "
    )
    quiet = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(below)).pages)
    one = high.first()
    assert f"{one.given_names} {one.family_name}" not in quiet


def fill(desk: Desk, slug: str, **values: str) -> None:
    """Fill the form of one act and send it."""
    form = desk.page.locator(f"form[action*='/{slug}/']").first
    if not form.is_visible():
        desk.page.locator(f"details:has(form[action*='/{slug}/']) > summary").first.click()
    for name, value in values.items():
        field = form.locator(f"[name$='-{name}']")
        kind = field.first.get_attribute("type") or field.first.evaluate("e => e.tagName")
        if kind == "radio":
            form.locator(f"[name$='-{name}'][value='{value}']").check()
        elif kind == "SELECT":
            field.select_option(value)
        elif kind == "checkbox":
            field.check()
        else:
            field.fill(value)
    with desk.page.expect_navigation(wait_until="load"):
        form.locator("button[type=submit]:not([formtarget])").last.click()


def carry_to_a_written_end(desk: Desk) -> None:
    desk.go("/follow-up/")
    referral = Referral.objects.filter(state="to_reach").select_related("person").latest("person__birth_date")
    desk.follow(f"{referral.person.family_name}, {referral.person.given_names}")
    person = Person.objects.get(pk=referral.person_id)
    fill(desk, "talk", wish="go_on")
    calm = {key: "yes" if question.expected else "no" for key, question in QUESTIONS.items()}
    fill(desk, "assess", **calm, preparation="macrogol", outcome="fit")
    fill(desk, "book", day="2026-06-15", time="09:00")
    fill(desk, "attend", outcome="attended")
    fill(
        desk,
        "report",
        number_on_report=person.identifiers.get().value,
        birth_on_report=str(person.birth_date),
        day="2026-06-15",
        complete="yes",
        prep_adequate="yes",
        specimens="0",
        finding="nothing",
        report_document="REP-1",
    )
    fill(
        desk,
        "sign",
        finding="nothing",
        step="screening",
        words="Clean and complete: back to screening in two years.",
    )
    referral.refresh_from_db()
    assert (referral.state, referral.close_reason) == ("closed", "next_step_signed")
    person.refresh_from_db()
    in_band_then = str(person.birth_date) > "1953-06-15"
    assert str(person.next_due_on) == ("2028-06-15" if in_band_then else "None")


def read_the_figures(desk: Desk) -> None:
    desk.go("/how-are-we-doing/?from=2026-06-01&to=2026-06-15")
    desk.says(f"Of {INVITED} people invited")
    desk.says(f"{BACK} of {INVITED}")
    desk.says(f"{len(HIGH)} of {BACK}")
    desk.go("/nobody-falls-through/")
    desk.press("Run it now")
    desk.says("Every check holds")
