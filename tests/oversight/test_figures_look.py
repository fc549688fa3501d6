"""The pages of figures in Chromium: 200 % zoom, light, dark and print; axe clean; by keyboard from figure to list."""

import os
import re
from datetime import date
from pathlib import Path

import pytest
from django.db import connections
from playwright.sync_api import Browser, Page, expect

from oversight.measuring.years import past_laid_down
from oversight.pages.directory import PAGES
from oversight.services.told import Kind, figure_take_back, figure_tell
from tests import cast
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import SCHEMES, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser
LOOK = os.environ.get("ROUNDBOOK_LOOK", "")
"""A folder for pictures of every page, for whoever wants to look at them."""
A4_WIDTH = 688
"""The width of a sheet of A4 between margins of 14 mm, in CSS pixels (210 − 28 mm at 96 to the inch)."""
QUERY = "?from=2024-01-01&to=2026-06-17"


def addresses() -> list[str]:
    slugs = ["", *(f"{slug}/" for slug in PAGES if slug != "overview"), "two-cohorts/", "definition/uptake_90/",
             "people/", "files/", "told/", "examiners/"]  # fmt: skip
    found = [f"/how-are-we-doing/{slug}{QUERY}" for slug in slugs]
    found += [f"/how-are-we-doing/equity/{QUERY}&by=age", f"/how-are-we-doing/uptake/{QUERY}&by=area&language=en&band=1",
              f"/how-are-we-doing/equity/{QUERY}&by=language&shoe=9"]  # fmt: skip
    return [one + ("&key=uptake_90&part=counted" if "/people/" in one else "") for one in found]


def some_told() -> None:
    """Figures told by others for months of these years, one of them taken back."""
    by, month = cast.member(cast.MANAGER), date(2026, 3, 1)
    for kind, counted, out_of in (
        (Kind.CALLS, 880, 1000),
        (Kind.COMPLAINTS, 3, None),
        (Kind.COST, 90_000, None),
    ):
        figure_tell(by=by, kind=kind, since=month, until=month, counted=counted, out_of=out_of, source="List")
    wrong = figure_tell(
        by=by,
        kind=Kind.CALLS,
        since=date(2026, 4, 1),
        until=date(2026, 4, 1),
        counted=1,
        out_of=2,
        source="List",
    )
    figure_take_back(by=by, told=wrong, why="Another exchange.")


def fits_on_paper(page: Page) -> None:
    """Nothing is wider than the sheet: what does not fit would be cut off, or shrink the whole page."""
    assert page.evaluate("document.documentElement.scrollWidth") <= A4_WIDTH, page.url


def pictured(page: Page, name: str) -> None:
    if LOOK:
        page.screenshot(path=str(Path(LOOK) / f"{name}.png"), full_page=True)


@pytest.mark.timeout(600)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_pages_of_figures_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    past_laid_down(3000, by=cast.member(cast.ADMINISTRATOR))
    some_told()
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
        pictured(
            page, f"{scheme}-{address.removesuffix(QUERY).replace(QUERY, '').strip('/').replace('/', '-')}"
        )
    if scheme == "light":
        page.set_viewport_size({"width": A4_WIDTH, "height": 900})
        page.emulate_media(media="print")
        page.goto(f"{server}/how-are-we-doing/told/")
        expect(page.get_by_role("button", name="Keep it")).to_be_hidden()
        fits_on_paper(page)
        pictured(page, "print-told")
        for slug in ("", "positivity/", "flow/", "equity/", "quality/", "harm/", "service/", "two-cohorts/"):
            page.goto(f"{server}/how-are-we-doing/{slug}{QUERY}&sex=female")
            expect(page.locator(".filters").first).to_be_hidden()
            expect(page.get_by_text("sex: female")).to_be_visible()  # on paper too it says of whom it speaks
            fits_on_paper(page)
            pictured(page, f"print-{slug.strip('/') or 'overview'}")
        page.emulate_media(media="screen")
        page.set_viewport_size({"width": 1280, "height": 900})
        for slug in (
            "",
            "positivity/",
            "equity/",
            "follow-up/",
            "flow/",
            "quality/",
            "uptake/",
            "two-cohorts/",
            "waiting/",
        ):
            page.goto(f"{server}/how-are-we-doing/{slug}{QUERY}")
            assert page.evaluate("document.documentElement.scrollWidth") <= 1280, slug
            pictured(page, f"wide-{slug.strip('/') or 'overview'}")
        page.goto(f"{server}/how-are-we-doing/equity/{QUERY}&by=age")
        assert page.evaluate("document.documentElement.scrollWidth") <= 1280


def test_to_a_list_and_telling_a_figure_by_keyboard(browser: Browser, server: str) -> None:  # noqa: F811
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
    tell_and_take_back_by_keyboard(page, server)


def test_from_a_step_of_equity_up_to_its_definition_and_down_to_its_people_by_keyboard(
    browser: Browser,  # noqa: F811
    server: str,  # noqa: F811
) -> None:
    past_laid_down(600, by=cast.member(cast.ADMINISTRATOR))
    connections.close_all()
    page = signed_in_page(browser, server, cast.MANAGER)
    page.goto(f"{server}/how-are-we-doing/equity/{QUERY}")
    page.get_by_label("Cut by").focus()
    page.keyboard.press("s")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Show").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Every step by sex")).to_be_visible()
    page.get_by_role("link", name="Uptake, 90 days", exact=True).first.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Uptake, 90 days")
    page.get_by_role("link", name="not counted").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Uptake, 90 days: not counted")
    expect(page.locator("tbody tr").first).to_be_visible()
    assert "from=2024-01-01" in page.url


def tell_and_take_back_by_keyboard(page: Page, server: str) -> None:  # noqa: F811
    page.goto(f"{server}/how-are-we-doing/service/{QUERY}")
    page.get_by_role("link", name="Tell a figure, or take one back").focus()
    page.keyboard.press("Enter")
    page.get_by_label("What", exact=True).focus()
    page.keyboard.type("Calls")
    for label, words in (
        ("First month", "March2026"),
        ("Last month", "April2026"),
        ("Counted", "880"),
        ("Told by", "Exchange"),
    ):
        page.get_by_label(label).focus()
        page.keyboard.type(words)
    page.keyboard.press("Enter")
    expect(page.get_by_text("Tell also: All calls, given up or not.")).to_be_visible()
    page.get_by_label("Out of").focus()
    page.keyboard.type("1000")
    page.keyboard.press("Enter")
    expect(
        page.get_by_text("Told: Calls answered within two minutes, March 2026 – April 2026.")
    ).to_be_visible()
    page.goto(f"{server}/how-are-we-doing/service/{QUERY}")
    expect(page.get_by_text("Of 1,000 telephone calls told for months", exact=False)).to_be_visible()
    page.goto(f"{server}/how-are-we-doing/told/")
    page.locator("summary", has_text="Take back").focus()
    page.keyboard.press("Enter")
    page.get_by_label("Why").focus()
    page.keyboard.type("Another exchange was in it.")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Taken back, latest first")).to_be_visible()
    expect(page.get_by_text("Another exchange was in it.")).to_be_visible()
