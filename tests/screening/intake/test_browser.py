"""The bench in a real browser: a scanner that types like a keyboard, verdicts, focus, alarms, a lost network."""

import shutil
import threading
from collections.abc import Iterator
from datetime import date
from socketserver import ThreadingMixIn
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.core.wsgi import get_wsgi_application
from django.db import connections
from playwright.sync_api import Browser, Page, expect, sync_playwright

from oversight.rehearsal.setting import region_lay_down
from screening.models import Return, Scan
from staff import clock
from tests import cast
from tests.conftest import FIRST_DAY
from tests.screening.intake import bench
from tools.machine import BROWSERS

pytestmark = pytest.mark.browser
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
FIELD = "#raw"
SAY = ".verdict .say"
ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]


class Server(ThreadingMixIn, WSGIServer):
    """One thread a request, as behind the real web server; closing it waits for those still at work."""

    daemon_threads = False

    def process_request_thread(self, request: object, client_address: object) -> None:
        """Answer, and leave no connection behind that would keep the test's database from going."""
        super().process_request_thread(request, client_address)
        connections.close_all()


class Quiet(WSGIRequestHandler):
    """Writes no line a request."""

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@pytest.fixture
def browser(server: str) -> Iterator[Browser]:
    """A headless Chromium, started after the database and closed before it goes."""
    program = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    with sync_playwright() as player:
        connections.close_all()
        launched = player.chromium.launch(executable_path=program, args=ARGS)
        yield launched
        launched.close()
        connections.close_all()  # those made while the browser's event loop ran are kept apart from all others


@pytest.fixture
def server(fresh_db: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """The application on a free port, on the demo day, against this test's own database."""
    monkeypatch.setattr(settings, "FIXED_TODAY", clock.today().isoformat())
    monkeypatch.setattr(settings, "ALLOWED_HOSTS", ["*"])
    monkeypatch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    region_lay_down(first_day=FIRST_DAY)
    web = make_server("127.0.0.1", 0, get_wsgi_application(), Server, Quiet)
    threading.Thread(target=web.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{web.server_port}"
    web.shutdown()
    web.server_close()


def signed_in_page(browser: Browser, server: str, username: str, *, scheme: str = "light") -> Page:
    """A window in which this member of staff is signed in."""
    user = cast.member(username)
    session = SessionStore()
    session[SESSION_KEY] = str(user.pk)
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session.save()
    context = browser.new_context(viewport={"width": 1280, "height": 900}, color_scheme=scheme)
    context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": session.session_key or "", "url": server}]
    )
    return context.new_page()


def scanner(page: Page, text: str) -> None:
    """What a keyboard-wedge scanner does: types fast into whatever has the focus, then Enter."""
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def focus_is_in_the_field(page: Page) -> bool:
    """Whether the next key would land in the capture field."""
    return bool(page.evaluate("document.activeElement === document.getElementById('raw')"))


def test_five_kits_by_keyboard_and_an_alarm_that_enter_does_not_clear(browser: Browser, server: str) -> None:
    kits = [bench.kit_out() for _ in range(4)]
    dead = bench.kit_of_the_dead()
    page = signed_in_page(browser, server, cast.FRONT_DESK)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(f"{server}/post/")
    page.get_by_label("What it is").fill("morning sack")
    page.get_by_role("button", name="Start scanning").click()
    expect(page.locator(FIELD)).to_be_focused()

    day = bench.day_of(3)
    for number, kit in enumerate(kits[:2], start=1):
        scanner(page, kit.serial)
        expect(page.locator(SAY)).to_contain_text("Compare the name")
        expect(page.locator(".verdict .who")).to_contain_text(str(kit.round.person))
        scanner(page, day)
        expect(page.locator(SAY)).to_contain_text(f"tray 1, place {number}")
        assert focus_is_in_the_field(page)

    page.locator(".verdict").click()
    page.locator(".tally").click()
    assert focus_is_in_the_field(page)

    # The day still stands in the field when the next kit is scanned: one line, two scans.
    scanner(page, kits[2].serial)
    expect(page.locator(SAY)).to_contain_text("Compare")
    scanner(page, f"{day}{kits[3].serial}")
    expect(page.locator(".verdict .who")).to_contain_text(str(kits[3].round.person))
    scanner(page, "RB-SETASIDE-NONAME")
    expect(page.locator(SAY)).to_contain_text("Set aside – slot A1")

    scanner(page, dead.serial)
    expect(page.locator(SAY)).to_contain_text("STOP")
    for _ in range(3):
        page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    expect(page.locator(".verdict.alarm")).to_be_visible()
    scanner(page, kits[0].serial)
    expect(page.locator(SAY)).to_contain_text("Not taken")
    expect(page.locator(".verdict.alarm")).to_be_visible()
    scanner(page, "RB-ACKNOWLEDGE")
    expect(page.locator(SAY)).to_contain_text("Acknowledged")
    assert focus_is_in_the_field(page)
    assert page.locator(".tally dd").all_inner_texts()[:3] == ["3", "2", "0"]

    page.reload()
    assert page.locator(".tally dd").all_inner_texts()[:3] == ["3", "2", "0"]
    assert Return.objects.count() == 5
    assert not Scan.objects.filter(typed=True).exists()
    assert complaints == []
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == []


def test_a_scan_made_while_the_network_is_away_is_stored_once(browser: Browser, server: str) -> None:
    kit = bench.kit_out()
    session = bench.a_session()
    page = signed_in_page(browser, server, cast.FRONT_DESK)
    page.goto(f"{server}/post/{session.pk}/")
    lost = {"answers": 2}

    def drop_the_answer(route: object) -> None:
        """The server stores the scan; its answer is lost on the way back."""
        if lost["answers"]:
            lost["answers"] -= 1
            route.fetch()
            route.abort()
        else:
            route.continue_()

    page.route("**/scan", drop_the_answer)
    scanner(page, kit.serial)
    expect(page.locator("[data-line]")).to_contain_text("Not stored yet")
    expect(page.locator(".verdict.waiting")).to_be_visible()
    expect(page.locator(".verdict .who")).to_contain_text(str(kit.round.person), timeout=15_000)
    assert Scan.objects.filter(session=session).count() == 1


def test_set_asides_can_be_solved_by_keyboard(browser: Browser, server: str) -> None:
    kit = bench.kit_out()
    bench.scan(bench.a_session(), kit.serial, "", "no_name")
    page = signed_in_page(browser, server, cast.PHONE_DESK, scheme="dark")
    page.goto(f"{server}/set-asides/")
    found = Axe().run(page, options=RULES).response["violations"]
    assert [one["id"] for one in found] == []
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_label("The day the sample was taken")).to_be_focused()
    page.keyboard.type(bench.day_of(4))
    page.keyboard.press("Enter")
    save = page.get_by_role("button", name="Save this day")
    expect(save).to_be_visible()
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == []
    save.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("is ready for the bench")).to_be_visible()
    assert Return.objects.get(kit=kit).collected_latest == date(2026, 6, 13)
