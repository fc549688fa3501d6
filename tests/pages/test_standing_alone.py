"""Pages shown before anybody knows who asks: no script, no frame, and still for everyone (WCAG 2.2 AA by axe)."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.template.loader import render_to_string
from playwright.sync_api import Browser

from tests.pages.test_styleguide import browser, open_text
from tests.screening.intake.desk_browser import RULES

__all__ = ["browser"]
PAGES = {
    "413.html": "At most 5 MB can be sent to this address. Split the file, or have it loaded by the command line.",
    "not_founded.html": "No approved protocol is in force on 2026-06-17. Ask the administrator.",
}
pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("pages")]


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 320)])
@pytest.mark.parametrize("name", PAGES)
def test_it_says_what_happened_to_everyone(
    name: str, scheme: str, width: int, browser: Browser, tmp_path: Path
) -> None:
    page, complaints = open_text(
        browser, render_to_string(name, {"sentence": PAGES[name]}), width=width, scheme=scheme
    )
    page.screenshot(path=str(tmp_path / f"{name}-{scheme}.png"))
    assert PAGES[name] in page.inner_text("main")
    assert complaints == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    violations = Axe().run(page, options=RULES).response["violations"]
    assert [(found["id"], found["nodes"][0]["html"]) for found in violations] == []
    page.close()
