"""The pages on who looked and who may sign in, in Chromium: 200 % zoom, light and dark, axe clean; reviewed by keyboard alone."""

from datetime import date, timedelta

import pytest
from django.db import connections
from django.urls import reverse
from playwright.sync_api import Browser, expect

from oversight.services.journal_asked import ageing_ask
from oversight.services.seal import seal_night
from screening.access import person_open_with_reason
from screening.models import LookReview, ReasonedLook
from screening.services.looks import look_follow_up, look_review, looks_in_order
from staff import clock
from staff.models import AccessEntry, AccountConfirmation, User
from staff.services.confirmations import accounts_confirm
from tests import cast, factories
from tests.conftest import NOON
from tests.oversight.test_figures_look import pictured
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import SCHEMES, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser
LOOKS, ACCOUNTS, AGE = (
    reverse(name) for name in ("screening:looks", "staff:accounts", "oversight:journal-age")
)
SAID = (
    (12, cast.PHONE_DESK, "call", "her daughter rang about the next kit"), (7, cast.COORDINATOR, "check", ""),
    (1, cast.PHONE_DESK, "check", "practice asked whether the address is right"), (30, cast.NURSE, "call", "rang"),
    (31, cast.COORDINATOR, "check", "curious"), (32, cast.COORDINATOR, "check", "an old letter"),
)  # fmt: skip


def something_to_see() -> None:
    auditor, manager = cast.member(cast.AUDITOR), cast.member(cast.MANAGER)
    for days, who, purpose, words in SAID:
        with clock.at(NOON - timedelta(days=days)):
            person = factories.a_person()
            person_open_with_reason(by=cast.member(who), person_id=person.pk, purpose=purpose, words=words)
    good, odd, answered = (
        ReasonedLook.objects.get(words=words) for words in ("rang", "curious", "an old letter")
    )
    looks_in_order(by=auditor, look_ids=[good.pk])
    look_review(
        by=auditor, look=odd, in_order=False, words="No call and no letter that day; a neighbour of hers."
    )
    found = look_review(by=auditor, look=answered, in_order=False, words="The letter was another person's.")
    look_follow_up(
        by=manager,
        review=found,
        words="Talked with him: it was a slip, and the right record was opened next.",
    )
    accounts_confirm(by=manager, user_ids=[cast.member(cast.NURSE).pk, auditor.pk], words="gone through")


def old_looks_asked_for() -> None:
    when, by = clock.moment(date(2014, 3, 5)), cast.member(cast.PHONE_DESK).pk
    AccessEntry.objects.bulk_create(
        AccessEntry(id=n, at=when, user_id=by, person_id=n, purpose="call", place="x")
        for n in range(500, 540)
    )
    seal_night(by=User.objects.system(), day=clock.today())
    ageing_ask(by=cast.member(cast.MANAGER))


@pytest.mark.timeout(600)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pages_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    something_to_see()
    old_looks_asked_for()
    connections.close_all()
    troubles: list[str] = []
    for name, who, address in (
        ("looks", cast.AUDITOR, LOOKS), ("looks-manager", cast.MANAGER, LOOKS), ("accounts", cast.ADMINISTRATOR, ACCOUNTS),
        ("accounts-manager", cast.MANAGER, ACCOUNTS), ("journal-age", cast.ADMINISTRATOR, AGE),
    ):  # fmt: skip
        page = signed_in_page(browser, server, who, scheme=scheme, size=DOUBLED)
        page.on("console", lambda message: troubles.append(message.text) if message.type == "error" else None)
        page.goto(f"{server}{address}")
        is_clean(page)
        page.set_viewport_size({"width": 1280, "height": 900})
        pictured(page, f"{name}-{scheme}")
        page.evaluate("for (const d of document.querySelectorAll('main details')) d.open = true")
        is_clean(page)
        pictured(page, f"{name}-{scheme}-open")
        assert troubles == []
        page.context.close()


def test_looks_are_reviewed_and_accounts_confirmed_by_keyboard_alone(browser: Browser, server: str) -> None:  # noqa: F811
    something_to_see()
    connections.close_all()
    page = signed_in_page(browser, server, cast.AUDITOR)
    page.goto(f"{server}{LOOKS}")
    page.keyboard.press("j")
    page.wait_for_timeout(150)
    page.keyboard.press("i")
    expect(page.locator("input[name=look]").first).to_be_checked()
    page.keyboard.press("j")
    page.wait_for_timeout(150)
    page.keyboard.press("n")
    page.locator("details[open] textarea").focus()
    page.keyboard.type("No words, no call that day.")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_text("The review is written.")).to_be_visible()
    page.keyboard.press("j")
    page.wait_for_timeout(150)
    page.keyboard.press("i")
    page.wait_for_timeout(150)
    page.keyboard.press("r")
    expect(page.get_by_text("1 look is in order.")).to_be_visible()
    connections.close_all()
    assert LookReview.objects.filter(words="No words, no call that day.", in_order=False).count() == 1
    page.context.close()
    page = signed_in_page(browser, server, cast.MANAGER)
    page.goto(f"{server}{ACCOUNTS}")
    page.locator("input[name=account]").first.focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Confirm the ticked accounts").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("1 account is confirmed.")).to_be_visible()
    connections.close_all()
    assert AccountConfirmation.objects.filter(by=cast.member(cast.MANAGER)).count() == 3
