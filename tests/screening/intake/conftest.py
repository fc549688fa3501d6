"""The browser and the server of the desk tests."""

import shutil
import threading
from collections.abc import Iterator
from wsgiref.simple_server import make_server

import pytest
from django.conf import settings
from django.core.wsgi import get_wsgi_application
from django.db import connections
from playwright.sync_api import Browser, Playwright, sync_playwright

from staff import clock
from tests.screening.intake.desk_browser import ARGS, Quiet, Server
from tools.machine import BROWSERS


@pytest.fixture
def player(server: str) -> Iterator[Playwright]:
    """Playwright, started after the database and ended before it goes."""
    with sync_playwright() as player:
        connections.close_all()
        yield player
        connections.close_all()  # those made while the browser's event loop ran are kept apart from all others


@pytest.fixture
def program() -> str | None:
    """The Chromium of this machine."""
    return next((path for name in BROWSERS if (path := shutil.which(name))), None)


@pytest.fixture
def browser(player: Playwright, program: str | None) -> Iterator[Browser]:
    """A headless Chromium."""
    launched = player.chromium.launch(executable_path=program, args=ARGS)
    yield launched
    launched.close()


@pytest.fixture
def server(fresh_region: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """The application on a free port, on the demo day, against this test's own database."""
    monkeypatch.setattr(settings, "FIXED_TODAY", clock.today().isoformat())
    monkeypatch.setattr(settings, "ALLOWED_HOSTS", ["*"])
    monkeypatch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    web = make_server("127.0.0.1", 0, get_wsgi_application(), Server, Quiet)
    threading.Thread(target=web.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{web.server_port}"
    web.shutdown()
    web.server_close()
