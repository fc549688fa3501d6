"""The broker emptied and away with work waiting: the tables are the truth, the bell is only a bell."""

import http.client
import time
import urllib.error
import urllib.request
from collections.abc import Iterator

import pytest
from celery import Celery
from django.conf import settings
from django.test import Client

from outreach.models import Letter, LetterTodo, PrintDocument, PrintedLetter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_make
from results.models import Sample, SampleTodo
from staff.models import User
from tests import cast, factories
from tests.faults.broker import OwnRedis
from tests.journeys.stack import Stack
from tests.outreach.makers import a_patient

SIZES = [pytest.param(20, 3.0, id="short"), pytest.param(1_000, 120.0, id="long", marks=pytest.mark.campaign)]
PAGES = ("/livez", "/readyz", "/sign-in/", "/", "/mail/", "/register/", "/batches/")
pytestmark = [pytest.mark.stack, pytest.mark.timeout(1800)]


def _cookie(username: str) -> str:
    """A session in the database, as after signing in."""
    client = Client()
    client.force_login(
        User.objects.get(username=username), backend="django.contrib.auth.backends.ModelBackend"
    )
    return f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"


def _answers(stack: Stack, cookie: str) -> Iterator[tuple[str, int]]:
    """What the pages answer now."""
    for path in PAGES:
        request = urllib.request.Request(stack.address + path, headers={"Cookie": cookie})  # noqa: S310 - our own server
        try:
            with urllib.request.urlopen(request, timeout=10) as answer:  # noqa: S310 - our own server
                yield path, answer.status
        except urllib.error.HTTPError as refused:
            yield path, refused.code
        except http.client.HTTPException as broken:
            raise AssertionError(f"{path}: {broken}") from broken


def _work_waits(count: int) -> None:
    """Letters to be planned, a print run without its document, and samples to be taken in."""
    by = cast.member(cast.MANAGER)
    for _ in range(5):
        factories.a_round(a_patient(), sent_days_ago=1)
    letters_plan(by=by)
    letters_freeze(by=by, limit=10)
    assert print_run_make(by=by).letters_count == 5
    for _ in range(count):
        factories.a_ready_return(factories.a_round(a_patient(), sent_days_ago=1))
        factories.a_round(a_patient(), sent_days_ago=1)


def _everything_is_done(count: int) -> bool:
    return (
        Sample.objects.filter(state="ready").count() == count
        and PrintDocument.objects.count() == 1
        and not SampleTodo.objects.exists()
        and not LetterTodo.objects.exists()
        and Letter.objects.filter(kind="invitation", state="frozen").count() >= count
    )


@pytest.mark.parametrize(("count", "away"), SIZES)
def test_nothing_waits_for_ever(count: int, away: float, own_stack: Stack, broker: OwnRedis) -> None:
    _work_waits(count)
    with Celery(broker=own_stack.redis) as bell:
        for _ in range(count):
            bell.send_task("outreach.sweep")
            bell.send_task("results.sweep")
    assert broker.client.llen("celery") == 2 * count
    own_stack.start_web()
    cookie = _cookie(cast.MANAGER)
    broker.client.flushall()
    broker.kill()
    own_stack.start_worker()
    bad, end = [], time.monotonic() + away
    while time.monotonic() < end:
        bad += [one for one in _answers(own_stack, cookie) if one[1] >= 500]
        time.sleep(0.2)
    assert bad == []
    assert not Sample.objects.exists()
    broker.start()
    until = time.monotonic() + 120
    while not _everything_is_done(count):
        assert time.monotonic() < until, (own_stack.logs / "worker.log").read_text()[-3000:]
        bad += [one for one in _answers(own_stack, cookie) if one[1] >= 500]
        time.sleep(0.3)
    assert bad == []
    assert PrintedLetter.objects.count() == 5
    keys = list(Letter.objects.values_list("key", flat=True))
    assert len(keys) == len(set(keys))
