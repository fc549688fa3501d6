"""Two web processes and two workers on two simulated hosts, one killed at a time under load: nothing lost, nothing twice.

Each host is a network namespace where the machine allows it (`hosts.py` says which). Programs send deliveries through the
proxy, each with its key, and send again with the same key whenever no answer came; meanwhile the workers take samples in and
plan letters. In the campaign whole hosts lose power or their cable as well.
"""

import json
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.client import HTTPException
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from celery import Celery
from django.db import connection

from outreach.models import Letter, LetterTodo
from results.models import Sample, SampleTodo
from screening.models import Delivery
from staff.ledger.proof import projection_differences
from staff.ledger.registry import walls
from staff.models import KeptAnswer
from tests import factories
from tests.api.program import a_token
from tests.faults.broker import OwnRedis
from tests.outreach.makers import a_patient
from tests.production.hosts import Forward, Hosts, two_hosts
from tests.production.shape import statics_collected
from tools.production import HOST_NAME, Production

pytestmark = [pytest.mark.stack, pytest.mark.xdist_group("production"), pytest.mark.timeout(1800)]
SIZES = [
    pytest.param(1, 20, 0.5, id="short"),
    pytest.param(6, 600, 4.0, id="long", marks=pytest.mark.campaign),
]
PROGRAMS = 4
PARTS = ("web-a", "worker-a", "web-b", "worker-b")


@dataclass
class Load:
    """Programs that send deliveries without a pause; what each of them was answered, by label."""

    shape: Production
    token: str
    answered: dict[str, set[int]] = field(default_factory=dict)
    again: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)
    threads: list[threading.Thread] = field(default_factory=list)

    def start(self) -> None:
        self.threads = [threading.Thread(target=self._program, args=(n,)) for n in range(PROGRAMS)]
        for thread in self.threads:
            thread.start()

    def stop(self) -> None:
        self.over.set()
        for thread in self.threads:
            thread.join(120)

    def _program(self, which: int) -> None:
        nth = 0
        while not self.over.is_set():
            nth += 1
            self._until_answered(f"p{which}-{nth}")

    def _until_answered(self, label: str) -> None:
        """Send it until there is an answer that is not the proxy's own; half of them once more, as an impatient program does."""
        body = json.dumps({"site": "QHC", "arrived_on": "2026-06-17", "label": label})
        end = time.monotonic() + 90
        while time.monotonic() < end:
            status, data = self._sent(label, body)
            if status == 201:
                self.answered.setdefault(label, set()).add(int(data["id"]))
                if (
                    label[-1] in "13579"
                    and len(self.answered[label]) == 1
                    and not self.again[label + " twice"]
                ):
                    self.again[label + " twice"] = 1
                    continue
                return
            if status not in {0, 503}:
                self.wrong.append(f"{label}: {status} {data}")
                return
            self.again[label] += 1
            time.sleep(0.05)
        self.wrong.append(f"{label}: no answer in 90 s")

    def _sent(self, label: str, body: str) -> tuple[int, dict[str, int]]:
        headers = {
            "Host": HOST_NAME, "Content-Type": "application/json", "Authorization": f"Bearer {self.token}",
            "Idempotency-Key": label,
        }  # fmt: skip
        try:
            line = self.shape.connect(10)
            line.request("POST", "/api/deliveries", body, headers)
            answer = line.getresponse()
            text = answer.read()
            return answer.status, json.loads(text) if answer.status == 201 else {"text": text[:200]}  # type: ignore[dict-item]
        except (OSError, HTTPException):
            return 0, {}


@pytest.fixture
def hosts() -> Iterator[Hosts]:
    with two_hosts() as found:
        yield found


@pytest.fixture
def shape(own_region: str, hosts: Hosts, tmp_path: Path) -> Iterator[Production]:
    """The database and the queue on this machine, reached by both hosts over their network; nothing else runs yet."""
    from tests.conftest import app_url_for, owner_url_for

    url = app_url_for(own_region)
    queue = OwnRedis(tmp_path, *([] if hosts.here == "127.0.0.1" else [hosts.here]))
    queue.start()
    asked = parse_qs(urlsplit(url).query)
    forward = (
        Forward(hosts.here, f"{asked['host'][0]}/.s.PGSQL.{asked.get('port', ['5432'])[0]}")
        if "host" in asked
        else None
    )
    app = f"postgres://{urlsplit(url).username}@{hosts.here}:{forward.port}/{own_region}" if forward else url
    made = Production(
        tmp_path, app, owner_url_for(own_region), f"redis://{hosts.here}:{queue.port}/0",
        more={"ROUNDBOOK_INNER_NETWORK": hosts.here, "ROUNDBOOK_TODAY": "2026-06-17", "ROUNDBOOK_API_REQUESTS_A_MINUTE": "1000000"},
        prefix={part: hosts[part[-1]].enter for part in PARTS},
    )  # fmt: skip
    yield made
    made.stop(20)
    queue.kill()
    if forward:
        forward.close()


def _start(shape: Production, hosts: Hosts, part: str) -> None:
    host = hosts[part[-1]]
    if part.startswith("web"):
        shape.start_web(part, host.address)
    else:
        shape.start_worker(part)


def _work_waits(count: int) -> None:
    """Returns whose samples are to be taken in, and people whose letters are to be planned."""
    for _ in range(count):
        factories.a_ready_return(factories.a_round(a_patient(), sent_days_ago=1))
        factories.a_round(a_patient(), sent_days_ago=1)


def _ring(shape: Production) -> None:
    with Celery(broker=shape.redis) as bell:
        for name in ("results.sweep", "outreach.sweep"):
            bell.send_task(name)


def _all_done(count: int) -> bool:
    return (
        Sample.objects.filter(state="ready").count() == count
        and not SampleTodo.objects.exists()
        and not LetterTodo.objects.exists()
        and Letter.objects.filter(kind="invitation").count() >= count
    )


def _until(true: Callable[[], bool], seconds: float, what: Callable[[], str]) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, what()
        time.sleep(0.2)


def _answers_meanwhile(load: Load, count: int) -> None:
    """So many more answers came: whoever is left serves."""
    before = len(load.answered)
    _until(lambda: len(load.answered) >= before + count, 60, lambda: f"no service: {load.wrong[:3]}")


@pytest.mark.parametrize(("rounds", "count", "pause"), SIZES)
def test_one_killed_at_a_time_loses_nothing_and_doubles_nothing(
    rounds: int, count: int, pause: float, shape: Production, hosts: Hosts
) -> None:
    token = a_token("front_desk")
    _work_waits(count)
    connection.close()
    statics_collected(shape)
    for part in PARTS:
        _start(shape, hosts, part)
    shape.start_beat()
    shape.start_proxy()
    shape.wait_until_ready(120)
    load = Load(shape, token)
    load.start()
    _ring(shape)
    _answers_meanwhile(load, 10)
    for nth in range(rounds):
        for part in PARTS:
            shape.kill(part)
            _ring(shape)
            _answers_meanwhile(load, 5)
            time.sleep(pause)
            _start(shape, hosts, part)
            if part.startswith("web"):
                bind = shape.webs[part]
                _until(lambda bind=bind: _ready(shape, bind), 60, lambda part=part: shape.words_of(part))  # type: ignore[misc]
        if rounds > 1:
            _a_host_is_away(shape, hosts, load, "ab"[nth % 2], power=nth % 3 == 0)
    _ring(shape)
    _until(lambda: _all_done(count), 180, lambda: shape.words_of("worker-a") + shape.words_of("worker-b"))
    load.stop()
    _books_are_right(load, count)
    repeated = sum(load.again[label] for label in load.again if not label.endswith("twice"))
    sys.stdout.write(
        f"{hosts.how}: {rounds} rounds of 4 kills; {len(load.answered)} deliveries, {repeated} sent again because no answer"
        f" came, {count} samples, {Letter.objects.filter(kind='invitation').count()} letters; none lost, none twice\n"
    )


def _a_host_is_away(shape: Production, hosts: Hosts, load: Load, name: str, *, power: bool) -> None:
    """The whole host loses its power (everything on it is killed) or its cable, and comes back."""
    parts = [part for part in PARTS if part.endswith(name)]
    if power:
        for part in parts:
            shape.kill(part)
    hosts[name].cut(True)
    _answers_meanwhile(load, 5)
    time.sleep(5)
    hosts[name].cut(False)
    for part in parts if power else ():
        _start(shape, hosts, part)
    _until(lambda: _ready(shape, shape.webs[f"web-{name}"]), 120, lambda: shape.words_of(f"web-{name}"))


def _ready(shape: Production, bind: str) -> bool:
    try:
        return shape.asked_directly(bind)
    except OSError:
        return False


def _books_are_right(load: Load, count: int) -> None:
    assert load.wrong == []
    assert {label: ids for label, ids in load.answered.items() if len(ids) != 1} == {}, (
        "every repetition got the same answer"
    )
    stored = Counter(Delivery.objects.exclude(label="sack").values_list("label", flat=True))
    assert stored == Counter(dict.fromkeys(load.answered, 1)), "none lost, none twice"
    assert KeptAnswer.objects.count() == len(load.answered)
    assert Sample.objects.count() == count
    keys = list(Letter.objects.values_list("key", flat=True))
    assert len(keys) == len(set(keys))
    assert all(projection_differences(ledger)[1] == 0 for ledger in walls)
