"""Every component, drawn by a real browser under the strict content policy: readable, reachable, no wider than the screen."""

import mimetypes
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace as Thing

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.messages import constants
from django.contrib.messages.storage.base import Message
from django.template.loader import render_to_string
from django.test import RequestFactory
from playwright.sync_api import Browser, Page, Route, sync_playwright

from tests.pages.sample import sample
from tests.screening.intake.desk_browser import RULES
from tools.machine import BROWSERS

STATIC = Path(__file__).resolve().parents[2] / "config" / "static"
HOME = "http://roundbook.test/styleguide/"
POLICY = "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'self'; form-action 'self'"
TASKS = ("Log the post", "Who needs me next", "Release results", "How are we doing?")

PAINTED = "() => new Promise((then) => requestAnimationFrame(() => requestAnimationFrame(then)))"

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("pages")]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    with sync_playwright() as player:
        launched = player.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield launched
        launched.close()


def page_text(*, wrong: bool) -> str:
    """The component page as the server would send it to a signed-in person."""
    frame = {
        "programme_name": "Tarnuvek Region Bowel Screening Programme",
        "today": "14 May 2026",
        "whoami": "Ilse Brandmoor",
        "search_url": "/find/",
        "banner": "Practice copy: nobody here is real.",
        "nav": [Thing(label=label, url=f"/{n}/", current=n == 1) for n, label in enumerate(TASKS)],
        "messages": [Message(constants.SUCCESS, "The call was recorded.")],
    }
    request = RequestFactory().get("/styleguide/")
    return render_to_string(
        "styleguide.html", {**frame, "sample": sample(wrong=wrong), "sort": "-days"}, request
    )


def open_page(
    browser: Browser, *, wrong: bool = False, width: int = 1280, scheme: str = "light"
) -> tuple[Page, list[str]]:
    """The page in a fresh window, answered from files, and the list its complaints are written to."""
    page, complaints = open_text(browser, page_text(wrong=wrong), width=width, scheme=scheme)
    page.wait_for_selector(".chart.drawn svg")
    page.bring_to_front()
    page.wait_for_function("document.hasFocus()")
    page.evaluate(PAINTED)  # keys pressed before the first picture are dropped by the browser
    return page, complaints


def open_text(browser: Browser, text: str, *, width: int, scheme: str) -> tuple[Page, list[str]]:
    """A page of this text in a fresh window under the strict policy, and the list its complaints are written to."""
    complaints: list[str] = []

    def answer(route: Route) -> None:
        path = route.request.url.removeprefix("http://roundbook.test")
        if path.startswith("/static/"):
            file = STATIC / path.removeprefix("/static/").split("?")[0]
            kind = mimetypes.guess_type(file.name)[0] or "application/octet-stream"
            route.fulfill(body=file.read_bytes(), content_type=kind)
        else:
            headers = {"Content-Security-Policy": POLICY, "Content-Type": "text/html; charset=utf-8"}
            route.fulfill(body=text, headers=headers)

    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.route("**/*", answer)
    page.goto(HOME)
    return page, complaints


@pytest.mark.parametrize(
    ("scheme", "width", "wrong"),
    [("light", 1280, False), ("dark", 1280, True), ("light", 320, True), ("dark", 640, False)],
)
def test_components_can_be_used_by_everyone(browser: Browser, scheme: str, width: int, wrong: bool) -> None:
    page, complaints = open_page(browser, wrong=wrong, width=width, scheme=scheme)
    assert complaints == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    violations = Axe().run(page, options=RULES).response["violations"]
    assert [(found["id"], found["nodes"][0]["html"]) for found in violations] == []
    page.close()


# Source: W3C, Web Content Accessibility Guidelines 2.2, success criterion 2.5.8 (targets of 24 by 24 CSS pixels).
def test_targets_are_large_enough(browser: Browser) -> None:
    page, _ = open_page(browser)
    small = page.evaluate(
        """[...document.querySelectorAll("a, button, summary, input, select")]
        .filter((item) => item.offsetParent && !item.closest("p, li:not(.tabs li)"))
        .filter((item) => item.getBoundingClientRect().height < 23.9 || item.getBoundingClientRect().width < 23.9)
        .map((item) => item.outerHTML.slice(0, 80))"""
    )
    assert small == []
    page.close()


def test_keys_move_rows_open_help_and_keep_the_theme(browser: Browser) -> None:
    page, _ = open_page(browser)
    for key in "jjk":
        page.keyboard.press(key)
        page.wait_for_timeout(100)
    assert page.evaluate("document.activeElement.textContent") == "Oselvik, Marta"
    page.keyboard.press("?")
    page.wait_for_selector("dialog[open]")
    assert "Claim the next one" in page.inner_text("dialog")
    page.keyboard.press("Escape")
    page.click("[data-theme-toggle]")
    page.reload()
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"
    page.close()


def test_a_scan_outside_any_field_goes_to_the_search_box(browser: Browser) -> None:
    page, _ = open_page(browser)
    page.keyboard.type("TR7K204118X", delay=4)
    with page.expect_request("**/find/") as sent, page.expect_navigation():
        page.keyboard.press("Enter")
    assert page.url.endswith("/find/"), "no serial, name or number stands in an address"
    assert sent.value.method == "POST"
    assert "q=TR7K204118X" in str(sent.value.post_data)
    page.close()


def test_a_scan_with_a_late_character_is_not_cut_in_two(browser: Browser) -> None:
    page, _ = open_page(browser)
    page.keyboard.type("TR7K", delay=4)
    page.wait_for_timeout(150)
    page.keyboard.type("204118X", delay=4)
    with page.expect_request("**/find/") as sent, page.expect_navigation():
        page.keyboard.press("Enter")
    assert "q=TR7K204118X" in str(sent.value.post_data)
    page.close()


def test_keys_pressed_one_by_one_are_no_scan(browser: Browser) -> None:
    page, _ = open_page(browser)
    before = page.url
    for key in "jjkjkj":
        page.keyboard.press(key)
        page.wait_for_timeout(110)
    assert page.evaluate("document.activeElement.closest('tbody tr') !== null"), (
        "each of them moved along the rows"
    )
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Enter")
    page.wait_for_timeout(100)
    assert page.url == before
    page.close()


def test_a_single_key_does_nothing_once_switched_off(browser: Browser) -> None:
    page, _ = open_page(browser)
    page.click("[data-open-keys]")
    page.uncheck("[data-keys-on]")
    page.keyboard.press("Escape")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("j")
    page.wait_for_timeout(150)
    assert page.evaluate("document.activeElement === document.body")
    page.close()


@pytest.mark.parametrize(("wrong", "words"), [(True, "Not saved yet"), (False, "The call was recorded.")])
def test_a_page_that_answers_a_form_starts_at_its_answer(browser: Browser, wrong: bool, words: str) -> None:
    page, _ = open_page(browser, wrong=wrong)
    assert words in page.evaluate("document.activeElement.innerText")
    page.close()


def test_a_refused_form_is_swapped_in_focused_and_spoken(browser: Browser) -> None:
    page, _ = open_page(browser)
    fragment = '<div id="try" data-announce="Not saved yet"><p data-focus>The date does not exist.</p></div>'
    page.route("**/try/", lambda route: route.fulfill(status=422, body=fragment, content_type="text/html"))
    page.evaluate("document.querySelector('#content').insertAdjacentHTML('beforeend', '<div id=try></div>')")
    with page.expect_request("**/try/") as sent:
        page.evaluate("htmx.ajax('POST', '/try/', {target: '#try', swap: 'outerHTML'})")
    page.wait_for_selector("#try [data-focus]:focus")
    page.wait_for_selector("#status:text-is('Not saved yet')", state="attached")
    assert "x-csrftoken" in sent.value.headers
    page.close()


def test_a_lost_connection_is_said_and_nothing_is_wiped(browser: Browser) -> None:
    page, _ = open_page(browser)
    page.route("**/try/", lambda route: route.abort())
    page.fill("[name=note]", "Rings after six")
    page.evaluate("htmx.ajax('POST', '/try/', {target: '#trouble', swap: 'none'}).catch(() => {})")
    page.wait_for_selector("#trouble:not([hidden])")
    assert "could not be reached" in page.inner_text("#trouble")
    assert page.input_value("[name=note]") == "Rings after six"
    page.close()
