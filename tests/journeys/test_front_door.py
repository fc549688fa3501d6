"""The running stack opens its door: sign in, see the tasks of one's roles, sign out."""

import pytest

from oversight.rehearsal.setting import DEMO_PASSWORD
from tests.journeys.stack import Stack

pytestmark = [pytest.mark.stack, pytest.mark.browser]


def test_a_manager_signs_in_and_out(stack: Stack, browser: object) -> None:
    page = browser.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.goto(stack.address)
    page.fill("input[name=username]", "sefrin")
    page.fill("input[name=password]", DEMO_PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Sefrin Mowdrake")
    assert page.locator("h1").count() == 1
    page.click("text=Sign out")
    page.wait_for_selector("input[name=password]")
    assert complaints == []
