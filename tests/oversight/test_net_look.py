"""The pages of the safety net in Chromium: 200 % zoom, light, dark and print; axe clean; an entry settled by keyboard."""

from datetime import timedelta

import pytest
from django.db import connections
from playwright.sync_api import Browser, expect

from oversight.models import Settlement
from oversight.services.papers import papers_make
from oversight.services.proofs import prove
from oversight.services.seal import seal_night
from screening.models import Person
from staff import clock
from staff.models import User
from tests import cast
from tests.oversight import worked
from tests.oversight.test_figures_look import pictured
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import SCHEMES, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser
NET = "/nobody-falls-through/"
WORDS = "Rang twice; the daughter says she is in hospital until July."


def somebody_waits() -> Person:
    day = clock.today()
    result = worked.released(
        worked.came_back(worked.invited(day - timedelta(days=40)), day - timedelta(days=12)),
        day - timedelta(days=10),
        high=True,
    )
    system = User.objects.system()
    seal_night(by=system, day=day)
    prove(by=system)
    papers_make(by=system, day=day)
    connections.close_all()
    return result.person


@pytest.mark.timeout(600)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_pages_of_the_safety_net_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    person = somebody_waits()
    page = signed_in_page(browser, server, cast.NURSE, scheme=scheme, size=DOUBLED)
    troubles: list[str] = []
    page.on("console", lambda message: troubles.append(message.text) if message.type == "error" else None)
    for address in (
        "",
        "checks/",
        "ledgers/",
        "list/no_contact/",
        "known/",
        f"known/{person.pk}/?day=2026-06-01",
    ):
        page.goto(f"{server}{NET}{address}")
        assert troubles == []
        is_clean(page)
        pictured(page, f"net-{scheme}-{address.split('?')[0].strip('/').replace('/', '-') or 'lists'}")
    page.goto(f"{server}{NET}")
    expect(page.locator(".banner.alarm")).to_be_visible()
    if scheme == "dark":
        return
    page.set_viewport_size({"width": 1280, "height": 900})
    page.goto(f"{server}{NET}list/no_contact/")
    page.locator("details.ask summary").first.focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type(WORDS)
    page.keyboard.press("Tab")
    page.locator("details.ask button[type=submit]").first.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text(WORDS)).to_be_visible()
    assert Settlement.objects.get().evidence == WORDS
    connections.close_all()
    page.emulate_media(media="print")
    page.goto(f"{server}{NET}")
    expect(page.get_by_role("link", name="Every check")).to_be_hidden()
    pictured(page, "net-print")
