"""The page of notices at 200 % zoom: nothing cut off, axe clean, in light (and dark, in the campaign)."""

import os

import pytest
from django.db import connections
from django.urls import reverse
from playwright.sync_api import Browser

from tests import cast
from tests.fhir.receiver import receiving
from tests.fhir.test_notices import a_copy, swept, takes
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.campaign)])
def test_the_page_of_notices_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    with receiving() as doctor:
        takes(doctor)
        a_copy("3.0")
        doctor.mode = 401
        swept()
        doctor.mode = 503
        a_copy("4.0")
        swept()
    connections.close_all()
    page = signed_in_page(browser, server, cast.ADMINISTRATOR, scheme=scheme, size=DOUBLED)
    page.goto(f"{server}{reverse('outreach:notices')}")
    page.wait_for_load_state("networkidle")
    is_clean(page)
    folder = os.environ.get("ROUNDBOOK_PICTURES")
    if folder:
        page.screenshot(path=f"{folder}/notices-{scheme}.png", full_page=True)
        page.set_viewport_size({"width": 1280, "height": 900})
        page.screenshot(path=f"{folder}/notices-{scheme}-wide.png", full_page=True)
