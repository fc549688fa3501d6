"""Fixtures of the journeys: the running stack and a browser."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.journeys.stack import TODAY, Stack, redis_of_our_own


@contextmanager
def laid_down(database: str, logs: Path, lay_down: Callable[[], object]) -> Iterator[Stack]:
    """Web, worker and beat on a database of its own in which something was laid down."""
    from django.contrib.auth.hashers import Argon2PasswordHasher

    from oversight.rehearsal.setting import DEMO_PASSWORD
    from staff.acting import acting
    from staff.models import SYSTEM_USERNAME, User

    lay_down()
    # The tests' own hasher is a quick one; the running stack knows only the real one.
    secret = Argon2PasswordHasher().encode(DEMO_PASSWORD, "seasalt" * 3)
    with acting(User.objects.system()):
        User.objects.exclude(username=SYSTEM_USERNAME).update(password=secret)
    running = Stack(database=database, logs=logs, redis=redis_of_our_own(3))
    try:
        running.start_web()
        running.start_worker()
        yield running
    finally:
        running.stop()


@pytest.fixture
def stack(fresh_region: str, tmp_path: Path) -> Iterator[Stack]:
    """The region laid down in a database of its own, with web, worker and beat running on it."""
    with laid_down(fresh_region, tmp_path, lambda: None) as running:
        yield running


@pytest.fixture
def clinic(fresh_db: str, tmp_path: Path) -> Iterator[Stack]:
    """The clinic of one desk, on a Monday."""
    from datetime import date

    from oversight.rehearsal.one_desk import one_desk_rehearse

    today = date.fromisoformat(TODAY)
    with laid_down(fresh_db, tmp_path, lambda: one_desk_rehearse(seed=26, today=today)) as running:
        yield running


@pytest.fixture
def browser(monkeypatch: pytest.MonkeyPatch) -> Iterator[object]:
    """Headless Chromium as Debian ships it. Its driver keeps an event loop in this thread, which Django must bear."""
    monkeypatch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    from django.db import connections
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    assert chromium, "Chromium is needed for the page tests: apt-get install chromium"
    with sync_playwright() as playwright:
        one = playwright.chromium.launch(
            executable_path=chromium,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--no-first-run",
                "--disable-sync",
            ],
        )
        connections.close_all()  # those made while a browser's event loop runs are kept apart from all others
        yield one
        one.close()
        connections.close_all()
