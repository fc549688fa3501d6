"""kill -9 of the worker while it makes documents: one document a run, every letter in one of them, none lost."""

import io
import os
import random
import signal
import time
from collections import Counter
from collections.abc import Callable
from datetime import timedelta

import psycopg
import pypdf
import pytest
from celery import Celery

from outreach.models import Letter, PrintDocument, PrintedLetter, PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make
from outreach.services.rendering import ATTEMPTS, print_run_render, print_run_try_again
from staff import clock
from staff.models import User
from tests import cast, factories
from tests.conftest import owner_url_for
from tests.journeys.stack import Stack
from tests.outreach.makers import a_patient

SIZES = [
    pytest.param(3, 20, 1, id="short"),
    pytest.param(5, 200, 20, id="long", marks=pytest.mark.campaign),
]
pytestmark = [pytest.mark.stack, pytest.mark.timeout(3600)]


def _office() -> User:
    return cast.member(cast.MANAGER)


def _runs_made(runs: int, letters: int) -> None:
    for _ in range(runs * letters):
        factories.a_round(a_patient(), sent_days_ago=1)
    letters_plan(by=_office())
    letters_freeze(by=_office(), limit=runs * letters)
    made = [print_run_make(by=_office(), limit=letters) for _ in range(runs)]
    assert [run.letters_count for run in made] == [letters] * runs


def _ring(stack: Stack) -> None:
    with Celery(broker=stack.redis) as bell:
        for run_id in PrintRun.objects.values_list("pk", flat=True):
            bell.send_task("outreach.render_print_run", [run_id])


def _until(true: Callable[[], bool], seconds: float, what: str) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"{what} did not come in {seconds:.0f} seconds"
        time.sleep(0.02)


def _worker_at_work(stack: Stack) -> None:
    """Start a worker alone, ring for every run, and wait until it holds one."""
    stack.start(
        "worker", "celery", "-A", "config", "worker", "--pool", "prefork", "--concurrency", "2", "-l", "INFO"
    )
    before = sum(PrintRun.objects.values_list("attempts", flat=True))
    _ring(stack)
    _until(
        lambda: sum(PrintRun.objects.values_list("attempts", flat=True)) > before
        or not PrintRun.objects.filter(document=None).exists(),
        60, "a worker that takes up a run",
    )  # fmt: skip


def _kill(stack: Stack) -> None:
    """kill -9 of the worker and all its children at once."""
    os.killpg(stack.processes["worker"].pid, signal.SIGKILL)
    stack.processes["worker"].wait(10)


def _leases_run_out(database: str) -> None:
    with psycopg.connect(owner_url_for(database), autocommit=True) as owner:
        owner.execute("UPDATE outreach_printrun SET lease_until = lease_until - interval '1 hour'")


@pytest.mark.parametrize(("runs", "letters", "kills"), SIZES)
def test_no_letter_is_lost_or_doubled(runs: int, letters: int, kills: int, own_stack: Stack) -> None:
    rng = random.Random(runs)  # noqa: S311 - which moments are tried, no secret
    _runs_made(runs, letters)
    for _ in range(kills):
        _worker_at_work(own_stack)
        time.sleep(rng.uniform(0.0, 0.4 if letters < 50 else 4.0))
        _kill(own_stack)
        held = list(PrintRun.objects.filter(document=None, lease_until__isnull=False))
        for run in held:
            with clock.at(run.lease_until - timedelta(seconds=10)):
                again = print_run_render(by=_office(), print_run=run)
            assert (again.status, again.attempts) == ("collecting", run.attempts), "its lease still counts"
        _leases_run_out(own_stack.database)
        for run in PrintRun.objects.filter(document=None, attempts__gte=ATTEMPTS):
            print_run_try_again(by=_office(), print_run=run)
    own_stack.start_worker()
    with Celery(broker=own_stack.redis) as bell:
        bell.send_task("outreach.sweep")
    _until(lambda: PrintDocument.objects.count() == runs, 60 + letters, "every document")
    _documents_are_right(runs, letters)


def _documents_are_right(runs: int, letters: int) -> None:
    assert Counter(PrintRun.objects.values_list("status", flat=True)) == {"ready": runs}
    assert Letter.objects.filter(state="printed").count() == runs * letters
    printed = Counter(PrintedLetter.objects.values_list("letter", flat=True))
    assert len(printed) == runs * letters
    assert set(printed.values()) == {1}
    for run in PrintRun.objects.all():
        pages = pypdf.PdfReader(io.BytesIO(bytes(run.document.content))).pages
        assert len(pages) == run.pages_count
        texts = [page.extract_text() for page in pages]
        for place in run.printed.all():
            found = [n for n, text in enumerate(texts, start=1) if place.token in text]
            assert found == list(range(place.first_page, place.first_page + place.pages)), place
        assert print_run_hand_over(by=_office(), print_run=run) == letters
        assert print_run_hand_over(by=_office(), print_run=run) == 0
