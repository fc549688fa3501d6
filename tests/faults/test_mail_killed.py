"""kill -9 at random points of a day's mail, Redis flushed, the database away: every letter once, in one run, none lost."""

import contextlib
import io
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import psycopg
import pypdf
import pytest
from celery import Celery

from outreach.models import Letter, LetterDate, LetterTodo, PrintDocument, PrintedLetter, PrintRun
from outreach.services.print_runs import print_run_hand_over
from outreach.services.rendering import ATTEMPTS, print_run_try_again
from staff.models import User
from tests import cast, factories
from tests.conftest import owner_url_for
from tests.faults.broker import OwnRedis
from tests.journeys.stack import Stack
from tests.outreach.makers import a_patient

ROOT = Path(__file__).resolve().parents[2]
OWN_CLUSTER = "ROUNDBOOK_CLUSTER_OF_ITS_OWN"
"""Set where the database server belongs to this test alone, so that it may be stopped for real."""
SIZES = [
    pytest.param(16, 8, 2, 1.5, id="short"),
    pytest.param(
        2_000, 60, 20, 10.0, id="long",
        marks=[
            pytest.mark.campaign,
            pytest.mark.skipif(OWN_CLUSTER not in os.environ, reason="started by the last test of this file"),
        ],
    ),
]  # fmt: skip
pytestmark = [pytest.mark.stack, pytest.mark.timeout(5400)]


def _office() -> User:
    return cast.member(cast.MANAGER)


def _start(stack: Stack, each: int) -> None:
    """A worker that is rung for sweeps, and a desk that makes print runs and their documents until nothing is ready."""
    stack.start(
        "worker", "celery", "-A", "config", "worker", "--pool", "prefork", "--concurrency", "2", "-l", "INFO"
    )
    _desk(stack, each)
    for _ in range(3):
        _ring(stack)


def _desk(stack: Stack, each: int) -> None:
    stack.start("desk", "django", "print_letters", "--letters", str(each), "--by", cast.MANAGER)


def _ring(stack: Stack) -> None:
    """One sweep is asked for, as the clock of the running system does."""
    with contextlib.suppress(Exception), Celery(broker=stack.redis) as bell:
        bell.send_task("outreach.sweep")


def _kill_all(stack: Stack) -> None:
    for name in ("worker", "desk"):
        process = stack.processes[name]
        if process.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(10)


def _database_restarts(database: str) -> None:
    """As its clients see a restart: every session ends, and for a while nobody gets in."""
    with psycopg.connect(owner_url_for("postgres"), autocommit=True) as admin:
        admin.execute(f'ALTER DATABASE "{database}" ALLOW_CONNECTIONS false'.encode())
        mine = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s AND pid <> pg_backend_pid()"
        admin.execute(mine.encode(), [database])
        time.sleep(1.5)
        admin.execute(f'ALTER DATABASE "{database}" ALLOW_CONNECTIONS true'.encode())


def _database_crashes() -> None:
    """The server is stopped at once, without saying goodbye, and started again: it replays its log."""
    from config import embedded_postgres
    from config.embedded_place import account

    who = account(embedded_postgres.data_dir())
    stopped, words = embedded_postgres._control(who, "stop", "-m", "immediate", "-w", timeout=60)
    assert stopped, words
    time.sleep(1.5)
    embedded_postgres.ensure_running()


def _leases_run_out(database: str) -> None:
    with psycopg.connect(owner_url_for(database), autocommit=True) as owner:
        owner.execute("UPDATE outreach_printrun SET lease_until = NULL, attempts = 0 WHERE sha256 = ''")


def _broken(stack: Stack, broker: OwnRedis, *, nth: int, kills: int, each: int, pause: float) -> None:
    """One round: work goes on, something breaks, everybody is killed at once."""
    from django.db import connections

    _start(stack, each)
    time.sleep(pause)
    if nth == kills // 2:
        broker.client.flushall()
    if nth == kills // 3:
        connections.close_all()
        _database_crashes() if OWN_CLUSTER in os.environ else _database_restarts(stack.database)
    _kill_all(stack)
    connections.close_all()
    _leases_run_out(stack.database)


def _finished(letters: int) -> bool:
    return (
        Letter.objects.filter(kind="invitation", state="printed").count() == letters
        and not PrintRun.objects.filter(document=None).exists()
        and not LetterTodo.objects.exists()
    )


@pytest.mark.parametrize(("letters", "each", "kills", "longest"), SIZES)
def test_a_days_mail_survives(
    letters: int, each: int, kills: int, longest: float, own_stack: Stack, broker: OwnRedis
) -> None:
    rng = random.Random(letters)  # noqa: S311 - which moments are tried, no secret
    for _ in range(letters):
        factories.a_round(a_patient(), sent_days_ago=1)
    for nth in range(kills):
        _broken(own_stack, broker, nth=nth, kills=kills, each=each, pause=rng.uniform(0.3, longest))
        _told(f"kill {nth + 1}")
    _calm_until_finished(own_stack, letters, each)
    _told("finished")
    _every_letter_once(letters)
    _told("handed over")


def _calm_until_finished(stack: Stack, letters: int, each: int) -> None:
    """Nothing breaks any more: one worker, a desk that is opened again when it has gone home, a sweep every two seconds."""
    end = time.monotonic() + 120 + letters
    _start(stack, each)
    while not _finished(letters):
        assert time.monotonic() < end, (stack.logs / "worker.log").read_text()[-3000:]
        if stack.processes["desk"].poll() is not None:
            _desk(stack, each)
        for run in PrintRun.objects.filter(document=None, attempts__gte=ATTEMPTS):
            print_run_try_again(by=_office(), print_run=run)
        _ring(stack)
        time.sleep(2)
    _kill_all(stack)


def _told(when: str) -> None:
    """One line of how far the mail is, for whoever runs the campaign with `-s`."""
    states = Counter(Letter.objects.values_list("state", flat=True))
    runs, documents = PrintRun.objects.count(), PrintDocument.objects.count()
    sys.stdout.write(f"{when}: letters {dict(states)}, print runs {runs}, documents {documents}\n")
    sys.stdout.flush()


def _every_letter_once(letters: int) -> None:
    keys = list(Letter.objects.filter(kind="invitation").values_list("key", flat=True))
    assert len(keys) == len(set(keys)) == letters, "none lost, none twice"
    assert LetterDate.objects.filter(what="reminder").count() == letters, "each kit has its reminder's day"
    places = Counter(PrintedLetter.objects.values_list("letter", flat=True))
    assert len(places) == letters
    assert set(places.values()) == {1}
    assert PrintDocument.objects.count() == PrintRun.objects.count()
    for run in PrintRun.objects.all():
        pages = pypdf.PdfReader(io.BytesIO(bytes(run.document.content))).pages
        assert len(pages) == run.pages_count
        assert [place.token in pages[place.first_page - 1].extract_text() for place in run.printed.all()] == [
            True
        ] * run.letters_count
        assert print_run_hand_over(by=_office(), print_run=run) == run.letters_count
        assert print_run_hand_over(by=_office(), print_run=run) == 0
    assert set(Letter.objects.values_list("state", flat=True)) == {"handed_over"}


@pytest.mark.campaign
def test_a_days_mail_survives_a_database_that_crashes() -> None:
    """The long run against a PostgreSQL of its own, stopped without goodbye in the middle and started again."""
    own = tempfile.mkdtemp(
        prefix="rb-own-"
    )  # not beneath pytest's folder, which the server's user may not enter
    env = os.environ | {"ROUNDBOOK_RUN_DIR": own, OWN_CLUSTER: "1"}
    env = {key: value for key, value in env.items() if not key.startswith(("DATABASE_", "PYTEST_XDIST"))}
    long = "tests/faults/test_mail_killed.py::test_a_days_mail_survives[long]"
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", long, "-m", "campaign", "-q", "-s"],
            cwd=ROOT, env=env, check=False, capture_output=True, text=True,
        )  # fmt: skip
    finally:
        subprocess.run([sys.executable, "-m", "config.embedded", "stop"], cwd=ROOT, env=env, check=False)
        shutil.rmtree(own, ignore_errors=True)
    sys.stdout.write(done.stdout)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-2000:]
    assert "1 passed" in done.stdout
