"""The pages of figures in Chromium: 200 % zoom, light, dark and print; axe clean; by keyboard from figure to list."""

import os
import re
from pathlib import Path

import pytest
from django.db import connections
from playwright.sync_api import Browser, Page, expect

from oversight.measuring.years import past_laid_down
from oversight.pages.directory import PAGES
from tests import cast
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import SCHEMES, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser
LOOK = os.environ.get("ROUNDBOOK_LOOK", "")
"""A folder for pictures of every page, for whoever wants to look at them."""
QUERY = "?from=2024-01-01&to=2026-06-17"


def addresses() -> list[str]:
    slugs = ["", *(f"{slug}/" for slug in PAGES if slug != "overview"), "two-cohorts/", "definition/uptake_90/",
             "people/", "files/"]  # fmt: skip
    found = [f"/how-are-we-doing/{slug}{QUERY}" for slug in slugs]
    return [one + ("&key=uptake_90&part=counted" if "/people/" in one else "") for one in found]


def pictured(page: Page, name: str) -> None:
    if LOOK:
        page.screenshot(path=str(Path(LOOK) / f"{name}.png"), full_page=True)


@pytest.mark.timeout(600)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_pages_of_figures_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    past_laid_down(3000, by=cast.member(cast.ADMINISTRATOR))
    connections.close_all()
    page = signed_in_page(browser, server, cast.MANAGER, scheme=scheme, size=DOUBLED)
    troubles: list[str] = []
    page.on("console", lambda message: troubles.append(message.text) if message.type == "error" else None)
    for address in addresses():
        page.goto(f"{server}{address}")
        for place in page.locator("[data-chart]").all():
            expect(place.locator("svg")).to_be_attached()
            figure = place.locator("xpath=ancestor::figure")
            assert figure.locator("figcaption").inner_text().strip()
        assert troubles == []
        is_clean(page)
        pictured(page, f"{scheme}-{address.split('?')[0].strip('/').replace('/', '-')}")
    if scheme == "light":
        page.set_viewport_size({"width": 1280, "height": 900})
        page.emulate_media(media="print")
        for slug in ("", "positivity/", "flow/"):
            page.goto(f"{server}/how-are-we-doing/{slug}{QUERY}")
            expect(page.locator(".filters").first).to_be_hidden()
            pictured(page, f"print-{slug.strip('/') or 'overview'}")
        page.emulate_media(media="screen")
        for slug in ("", "positivity/", "equity/", "follow-up/", "flow/"):
            page.goto(f"{server}/how-are-we-doing/{slug}{QUERY}")
            pictured(page, f"wide-{slug.strip('/') or 'overview'}")


def test_from_a_figure_to_its_list_by_keyboard(browser: Browser, server: str) -> None:  # noqa: F811
    past_laid_down(600, by=cast.member(cast.ADMINISTRATOR))
    connections.close_all()
    page = signed_in_page(browser, server, cast.MANAGER)
    page.goto(f"{server}/how-are-we-doing/flow/{QUERY}")
    link = page.get_by_role("link", name="no kit came back")
    link.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("People in one place of the flow")
    expect(page.locator("tbody tr").first).to_be_visible()
    page.go_back()
    page.get_by_label("Cut by").focus()
    page.keyboard.press("s")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Show").focus()
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile("by=sex"))
    assert "from=2024-01-01" in page.url
