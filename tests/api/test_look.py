"""The description's page and the programs' page at 200 % zoom, light and dark: nothing cut off, axe clean, no stranger's host."""

import os
from urllib.parse import urlsplit

import pytest
from django.db import connections
from playwright.sync_api import Browser

from tests import cast
from tests.api.program import a_token
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import SCHEMES, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pages_about_programs_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    a_token("clinician", "QCU")
    a_token("laboratory")
    connections.close_all()
    page = signed_in_page(browser, server, cast.ADMINISTRATOR, scheme=scheme, size=DOUBLED)
    hosts, complaints = set(), []
    page.on("request", lambda request: hosts.add(urlsplit(request.url).netloc))
    page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
    for address in ("/programs/", "/api/docs"):
        page.goto(f"{server}{address}")
    assert complaints == []  # before axe adds styles of its own
    for address in ("/programs/", "/api/docs"):
        page.goto(f"{server}{address}")
        is_clean(page)
        if os.environ.get("LOOK"):
            page.screenshot(
                path=f"{os.environ['LOOK']}{address.strip('/').replace('/', '-')}-{scheme}.png",
                full_page=True,
            )
    page.locator("#referral_assess > summary").click()
    is_clean(page)
    if os.environ.get("LOOK"):
        page.locator("#referral_assess").screenshot(path=f"{os.environ['LOOK']}op-{scheme}.png")
    page.goto(f"{server}/programs/")
    page.get_by_label("What the program is called").fill("Harbour hospital")
    page.get_by_label("Which system it is").fill("theatre system, 01632 960 123")
    page.get_by_label("Its role").select_option("clinician")
    page.locator("aside input[name=days]").press("Enter")
    page.wait_for_selector("#secret")
    is_clean(page)
    if os.environ.get("LOOK"):
        page.screenshot(path=f"{os.environ['LOOK']}made-{scheme}.png", full_page=True)
    assert page.locator("#secret").inner_text().startswith("rbk_")
    assert hosts == {urlsplit(server).netloc}
