"""The pages of the mail at 200 % zoom, light and dark: nothing cut off, axe clean; a paper's scan by keyboard alone."""

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connections
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

from outreach.letters.texts import texts_on
from outreach.models import Letter, Message, PrintRun
from outreach.services.contractor import contractor_file_make
from outreach.services.messages import _claimed
from outreach.services.print_runs import print_run_hand_over, print_run_make
from outreach.services.rendering import print_run_render
from outreach.services.reprints import reprint_ask
from outreach.services.texts import text_draft
from outreach.services.undelivered import undelivered_record
from screening.models import Person
from staff import clock
from staff.acting import acting
from tests import cast
from tests.factories import a_delivery, a_round, by_default
from tests.looks import on_the_list
from tests.outreach.makers import a_patient, a_result, frozen
from tests.outreach.test_sending import a_message
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import SCHEMES, scanner, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser


def _run(kind: str) -> PrintRun:
    return print_run_render(by=by_default(), print_run=print_run_make(by=by_default(), kind=kind))


def a_busy_day(tmp_path: Path, settings: Any) -> tuple[PrintRun, PrintRun]:
    """Something in every lane: held, ready, at the desk with one to pull, handed over, come back, in doubt."""
    a_message(tmp_path, settings)
    _claimed(by=by_default(), limit=5)
    with acting(by_default()):
        Message.objects.update(claimed_at=clock.now() - timedelta(hours=1))
    a_result("64.2", authorised=clock.today() - timedelta(days=2))
    frozen("result_more_tests")
    gone = _run("result_more_tests")
    print_run_hand_over(by=by_default(), print_run=gone)
    for place in gone.printed.all()[:1]:
        undelivered_record(by=cast.member(cast.PHONE_DESK), token=place.token)
    for _n in range(4):
        a_round(a_patient(), sent_days_ago=1)
    frozen("invitation")
    desk = _run("invitation")
    reprint_ask(
        by=cast.member(cast.PHONE_DESK), print_run=desk, first=1, last=2, reason="jam", destroyed=True
    )
    contractor_file_make(by=cast.member(cast.PHONE_DESK), print_run=desk)
    dead = desk.printed.order_by("position").first()
    with acting(by_default()):
        Person.objects.filter(pk=dead.letter.person_id).update(deceased_on=clock.today(), next_due_on=None)
    a_round(a_patient(hidden_address=True), sent_days_ago=1)
    a_result("3.0")
    a_delivery(arrived=clock.today() - timedelta(days=2))
    frozen()
    words = texts_on(clock.today())["reminder"].source.replace("Have you still got", "Do you still have", 1)
    text_draft(by=cast.member(cast.MANAGER), kind="reminder", words=words, why="shorter")
    return desk, gone


def _pictured(page: Page, name: str) -> None:
    """Keep a picture where somebody asked for pictures."""
    folder = os.environ.get("ROUNDBOOK_PICTURES")
    if folder:
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pages_of_the_mail_at_200_percent(
    browser: Browser,  # noqa: F811
    server: str,  # noqa: F811
    scheme: str,
    tmp_path: Path,
    settings: Any,
) -> None:
    desk, gone = a_busy_day(tmp_path, settings)
    person = Letter.objects.filter(state="undelivered").get().person_id
    on_the_list(cast.PHONE_DESK, person)
    connections.close_all()
    for who, addresses in (
        (cast.PHONE_DESK, [
            reverse("outreach:mail"), reverse("outreach:paper"), reverse("outreach:print-run", args=[desk.pk]),
            reverse("outreach:print-run", args=[gone.pk]), reverse("outreach:print-run-check", args=[desk.pk]),
            reverse("screening:person", args=[person]),
        ]),
        (cast.CLINICIAN, [reverse("outreach:texts"), reverse("outreach:text", args=["reminder"]),
                          reverse("outreach:text", args=["date_cancelled"])]),
        (cast.ADMINISTRATOR, [reverse("outreach:desks"), reverse("outreach:mail")]),
    ):  # fmt: skip
        page = signed_in_page(browser, server, who, scheme=scheme, size=DOUBLED)
        for nth, address in enumerate(addresses):
            page.goto(f"{server}{address}")
            page.wait_for_load_state("networkidle")
            is_clean(page)
            _pictured(page, f"mail-{scheme}-{who}-{nth}")


def test_a_paper_is_scanned_and_pulled_by_keyboard_alone(
    browser: Browser,  # noqa: F811
    server: str,  # noqa: F811
    tmp_path: Path,
    settings: Any,
) -> None:
    desk, _gone = a_busy_day(tmp_path, settings)
    dead = desk.printed.order_by("position").first()
    token = dead.token
    connections.close_all()
    page = signed_in_page(browser, server, cast.PHONE_DESK)
    page.goto(f"{server}{reverse('outreach:mail')}")
    _pictured(page, "mail-wide")
    page.keyboard.press("s")
    page.get_by_label("Token at the foot of the page").focus()
    page.keyboard.type(token)
    page.keyboard.press("Enter")
    expect(page.get_by_text("Pull this paper")).to_be_visible()
    _pictured(page, "paper-wide")
    page.get_by_role("button", name="Pulled").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("is out of the pile")).to_be_visible()
    page.goto(f"{server}{reverse('outreach:print-run', args=[desk.pk])}")
    _pictured(page, "run-wide")
    page.emulate_media(media="print")
    page.goto(f"{server}{reverse('outreach:print-run-check', args=[desk.pk])}")
    _pictured(page, "check-print")


def test_the_look_follows_the_typing(browser: Browser, server: str) -> None:  # noqa: F811
    connections.close_all()
    page = signed_in_page(browser, server, cast.MANAGER)
    page.goto(f"{server}{reverse('outreach:text', args=['reminder'])}")
    field = page.get_by_label("Words of every variant")
    field.fill(
        field.input_value().replace("Have you still got your bowel test kit?", "Where is your kit?", 1)
    )
    expect(page.locator("#look").get_by_text("Where is your kit?")).to_be_visible()
    _pictured(page, "text-wide")
    field.fill("=== en\nnothing")
    expect(page.locator("#look").get_by_text("this variant is missing").first).to_be_visible()


def test_paper_after_paper_is_scanned_with_the_scanner_alone(
    browser: Browser,  # noqa: F811
    server: str,  # noqa: F811
    tmp_path: Path,
    settings: Any,
) -> None:
    desk, _gone = a_busy_day(tmp_path, settings)
    one, two = desk.printed.order_by("-position").values_list("token", flat=True)[:2]
    connections.close_all()
    page = signed_in_page(browser, server, cast.PHONE_DESK)
    page.goto(f"{server}{reverse('outreach:paper')}")
    field = page.get_by_label("Token at the foot of the page")
    expect(field).to_be_focused()
    for token, words in ((one, one), ("99-99-Z", "Put this right"), (two, two)):
        scanner(page, token)
        expect(page.locator("main")).to_contain_text(words)
        expect(page.locator("[role=status], [role=alert]", has_text=words)).to_have_count(1)
        expect(field).to_be_focused()
        assert page.url.endswith("/papers/"), "no scan may go to the search of the header"
