"""`Idempotency-Key`: the same request is done once and answered alike, whoever dies and however many ask at once."""

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from django.db import connection
from django.test import Client

from oversight.rehearsal.setting import region_lay_down
from screening.models import Batch, Delivery
from staff import clock
from staff.models import KeptAnswer
from staff.services.answers import answers_forget
from tests import factories
from tests.api.program import Program, a_token
from tests.conftest import FIRST_DAY, NOON, app_url_for, owner_url_for

ROOT = Path(__file__).resolve().parents[2]
SACK = {"site": "QHC", "arrived_on": "2026-06-17", "label": "sack"}
TWINS = 50
DIES = """
import os, sys
import django
django.setup()
from staff import clock
from tests.conftest import NOON
from django.test import Client
client = Client()
answer = client.handler.get_response
def answered_and_killed(request):
    answer(request)
    os.kill(os.getpid(), 9)
client.handler.get_response = answered_and_killed
with clock.at(NOON):
    client.post("/api/deliveries", sys.argv[1], content_type="application/json",
                headers={"Authorization": "Bearer " + sys.argv[2], "Idempotency-Key": "killed"})
"""


@pytest.fixture
def own(fresh_db: str) -> Iterator[str]:
    """A region in a database of its own, where every request commits."""
    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
    yield fresh_db
    connection.close()


@pytest.mark.usefixtures("region")
def test_the_same_key_gets_the_same_answer_and_a_new_key_another() -> None:
    desk = Program(a_token("front_desk"))
    first = desk.post("/api/deliveries", SACK, key="a")
    again = desk.post("/api/deliveries", SACK, key="a")
    assert (first.status, again.status) == (201, 201)
    assert again.data == first.data
    assert again.headers["Location"] == first.headers["Location"]
    assert (first.headers.get("Answer-Repeated"), again.headers["Answer-Repeated"]) == (None, "true")
    assert desk.post("/api/deliveries", SACK, key="b").data["id"] != first.data["id"]
    assert Delivery.objects.count() == 2


@pytest.mark.usefixtures("region")
def test_a_refusal_is_kept_too_even_when_the_reason_has_gone() -> None:
    desk = Program(a_token("phone_desk"))
    for body, status, code in (({"size": 1}, 422, "nobody_due"), ({"size": "many"}, 400, "not_valid")):
        first = desk.post("/api/batches", body, key=code)
        assert (first.status, first.data["code"]) == (status, code)
    factories.a_person()
    factories.a_kit()
    again = desk.post("/api/batches", {"size": 1}, key="nobody_due")
    assert (again.status, again.data["code"], again.headers["Answer-Repeated"]) == (422, "nobody_due", "true")
    assert again.headers["Content-Type"] == "application/problem+json"
    assert not Batch.objects.exists()


@pytest.mark.usefixtures("region")
def test_another_request_under_a_used_key_is_refused() -> None:
    desk = Program(a_token("front_desk"))
    first = desk.post("/api/deliveries", SACK, key="a")
    for path, body in (
        ("/api/deliveries", SACK | {"label": "box"}),
        (f"/api/deliveries/{first.data['id']}/count", SACK),
        ("/api/deliveries?x=1", SACK),
    ):
        answer = desk.post(path, body, key="a")
        assert (answer.status, answer.data["code"]) == (422, "key_reused")
    assert Program(a_token("front_desk")).post("/api/deliveries", SACK | {"label": "box"}, key="a").status == 201


@pytest.mark.usefixtures("region")
def test_without_a_key_nothing_is_done() -> None:
    desk = Program(a_token("front_desk"))
    for key in ("", "x" * 101, "with space"):
        answer = desk.post("/api/deliveries", SACK, key=key)
        assert (answer.status, answer.data["code"]) == (400, "key_missing")
    assert not Delivery.objects.exists()
    assert not KeptAnswer.objects.exists()


@pytest.mark.usefixtures("region")
def test_what_is_nobodys_answer_leaves_the_key_free(monkeypatch: pytest.MonkeyPatch) -> None:
    from screening.api import post

    desk = Program(a_token("front_desk"), Client(raise_request_exception=False))
    real = post.delivery_record

    def broken(**given: object) -> object:
        real(**given)
        raise RuntimeError("our own mistake")

    monkeypatch.setattr(post, "delivery_record", broken)
    assert desk.post("/api/deliveries", SACK, key="a").status == 500
    assert (Delivery.objects.count(), KeptAnswer.objects.count()) == (0, 0)
    monkeypatch.setattr(post, "delivery_record", real)
    assert desk.post("/api/deliveries", SACK, key="a").status == 201


def test_fifty_twins_at_once_are_one_and_get_one_answer(own: str) -> None:
    secret, gate = a_token("front_desk"), threading.Barrier(TWINS)

    def one(_nth: int) -> tuple[int, str, str]:
        try:
            with clock.at(NOON):
                connection.ensure_connection()
                gate.wait(60)
                told = Program(secret).post("/api/deliveries", SACK, key="twin")
                return told.status, str(told.data), told.headers.get("Answer-Repeated", "")
        finally:
            connection.close()

    with ThreadPoolExecutor(TWINS) as pool:
        answers = list(pool.map(one, range(TWINS)))
    assert {(status, body) for status, body, _repeated in answers} == {(201, answers[0][1])}
    assert sorted(repeated for *_rest, repeated in answers) == ["", *["true"] * (TWINS - 1)]
    assert (Delivery.objects.count(), KeptAnswer.objects.count()) == (1, 1)


def test_killed_between_commit_and_answer_the_repetition_gets_the_answer(own: str) -> None:
    """The process that did the work dies before a byte of its answer leaves; another process is asked again."""
    import json

    secret = a_token("front_desk")
    connection.close()
    env = os.environ | {
        "DATABASE_URL": app_url_for(own), "DATABASE_OWNER_URL": owner_url_for(own), "DJANGO_SETTINGS_MODULE": "config.settings",
        "ROUNDBOOK_ENV": "test", "PYTHONPATH": str(ROOT),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", DIES, json.dumps(SACK), secret], cwd=ROOT, env=env, capture_output=True, check=False
    )
    assert done.returncode == -9, done.stderr.decode()[-2000:]
    assert Delivery.objects.count() == 1
    again = Program(secret).post("/api/deliveries", SACK, key="killed")
    assert (again.status, again.headers["Answer-Repeated"]) == (201, "true")
    assert again.data["id"] == Delivery.objects.get().pk
    assert Delivery.objects.count() == 1


@pytest.mark.usefixtures("region")
def test_old_answers_are_forgotten() -> None:
    desk = Program(a_token("front_desk"))
    desk.post("/api/deliveries", SACK, key="a")
    assert answers_forget(before=clock.now()) == 0
    assert answers_forget(before=clock.now().replace(year=2027)) == 1
