"""A desk in a real browser: the application on a free port, a signed-in window, and a scanner that types."""

import os
import signal
from pathlib import Path
from socketserver import ThreadingMixIn
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer

import pytest
from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import connections
from playwright.sync_api import Browser, BrowserContext, Page

from tests import cast

# Without "preload" axe lets the style sheets be: it would look for their parts beside the page, and bring a style of its own.
# It tries every rule whatever the "resultTypes"; they only keep it from telling at length of every element that passed.
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "preload": False,
    "resultTypes": ["violations"],
}
SCHEMES = ["light", pytest.param("dark", marks=pytest.mark.campaign)]
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


def signed_in_page(
    browser: Browser,
    server: str,
    username: str,
    *,
    scheme: str = "light",
    size: tuple[int, int] = (1280, 900),
) -> Page:
    """A window in which this member of staff is signed in."""
    shape: dict[str, Any] = {"viewport": {"width": size[0], "height": size[1]}, "color_scheme": scheme}
    context = browser.new_context(**shape)
    sign_in(context, server, username)
    return context.new_page()


def sign_in(context: BrowserContext, server: str, username: str) -> None:
    """Sign this member of staff in to every window of the context."""
    user = cast.member(username)
    session = SessionStore()
    session[SESSION_KEY] = str(user.pk)
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session.save()
    context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": session.session_key or "", "url": server}]
    )


def kill_browser(profile: str) -> int:
    """Kill the browser that this test started with this profile, as a power cut would; returns how many processes."""
    killed = 0
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            command = place.read_bytes().decode(errors="replace")
        except OSError:
            continue
        if f"--user-data-dir={profile}" in command:
            try:
                os.kill(int(place.parent.name), signal.SIGKILL)
                killed += 1
            except ProcessLookupError:
                continue
    return killed


def complaints_of(page: Page) -> list[str]:
    """Errors the page will write to the console, network losses aside."""
    found: list[str] = []

    def heard(message: Any) -> None:
        if message.type == "error" and "ERR_INTERNET_DISCONNECTED" not in message.text:
            found.append(message.text)

    page.on("console", heard)
    page.on("pageerror", lambda error: found.append(str(error)))
    return found


def scanner(page: Page, text: str) -> None:
    """What a keyboard-wedge scanner does: types fast into whatever has the focus, then Enter."""
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def focus_is_in_the_field(page: Page) -> bool:
    """Whether the next key would land in the capture field."""
    return bool(page.evaluate("document.activeElement === document.getElementById('raw')"))
