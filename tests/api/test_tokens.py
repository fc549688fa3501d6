"""Tokens: who may make one, what is kept of it, and when it stops."""

import json
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import IntegrityError
from django.test import Client, override_settings

from staff import clock
from staff.errors import NotAllowed, RoundbookError
from staff.models import ApiClient, ApiToken, User
from staff.services.clients import client_make, token_make, token_revoke
from tests import cast
from tests.api.program import Program, a_token

pytestmark = pytest.mark.usefixtures("region")


def _client(secret: str) -> ApiClient:
    return ApiClient.objects.latest("pk")


def test_a_token_tells_who_it_is_and_its_secret_is_nowhere_in_the_database() -> None:
    secret = a_token("clinician", "QCU")
    me = Program(secret).get("/api/me")
    assert me.status == 200
    assert (me.data["roles"], me.data["sites"]) == (["clinician"], ["QCU"])
    kept = ApiToken.objects.get()
    assert secret not in json.dumps(list(ApiToken.objects.values()), default=str)
    assert len(kept.digest) == 64
    assert secret.startswith(kept.hint)
    assert len(kept.hint) < 10


def test_without_a_token_or_with_a_wrong_one_nobody_is_let_in() -> None:
    for headers in ({}, {"Authorization": "Bearer rbk_wrong"}, {"Authorization": "Basic x"}, {"Authorization": "Bearer"}):
        answer = Program().get("/api/me", **headers)
        assert (answer.status, answer.headers["Content-Type"]) == (401, "application/problem+json")
        assert answer.headers["WWW-Authenticate"].startswith("Bearer")
        assert answer.data["code"] in {"token_missing", "token_refused"}


def test_a_session_of_a_signed_in_person_opens_no_door_for_programs() -> None:
    browser = Client()
    browser.force_login(cast.member(cast.ADMINISTRATOR), backend="django.contrib.auth.backends.ModelBackend")
    assert browser.get("/api/me").status_code == 401


def test_an_expired_token_a_revoked_one_and_one_of_a_user_who_left_are_refused() -> None:
    secret = a_token("manager", days=2)
    with clock.at(clock.now() + timedelta(days=2, seconds=1)):
        assert Program(secret).get("/api/me").status == 401
    assert Program(secret).get("/api/me").status == 200
    client = _client(secret)
    assert token_revoke(by=cast.member(cast.ADMINISTRATOR), client=client)
    assert not token_revoke(by=cast.member(cast.ADMINISTRATOR), client=client)
    assert Program(secret).get("/api/me").status == 401
    again = token_make(by=cast.member(cast.ADMINISTRATOR), client=client, days=1)
    assert Program(again.secret).get("/api/me").status == 200
    User.objects.filter(pk=client.user_id).update(is_active=False)
    assert Program(again.secret).get("/api/me").status == 401


def test_a_new_token_ends_the_one_before_and_the_database_refuses_a_second_live_one() -> None:
    first = a_token("manager")
    client = _client(first)
    second = token_make(by=cast.member(cast.ADMINISTRATOR), client=client, days=1)
    assert Program(first).get("/api/me").status == 401
    assert Program(second.secret).get("/api/me").status == 200
    facts = {"made_at": clock.now(), "made_by_id": client.made_by_id, "expires_at": clock.now() + timedelta(days=1)}
    with pytest.raises(IntegrityError, match="one_live_token_a_client"):
        ApiToken.objects.create(client=client, digest="0" * 64, hint="x", **facts)


def test_only_an_administrator_makes_tokens_and_nobody_for_ever() -> None:
    with pytest.raises(NotAllowed):
        client_make(by=cast.member(cast.MANAGER), name="x", about="y", role="manager", site=None, days=1)
    for role, days in (("programme_client", 1), ("manager", 0), ("manager", 731)):
        with pytest.raises(RoundbookError):
            client_make(by=cast.member(cast.ADMINISTRATOR), name="x", about="y", role=role, site=None, days=days)
    assert not ApiClient.objects.exists()


def test_nobody_signs_in_on_the_pages_as_a_program() -> None:
    a_token("manager")
    user = _client("").user
    assert not user.has_usable_password()
    answer = Client().post("/sign-in/", {"username": user.username, "password": ""})
    assert answer.status_code == 200


def test_the_page_shows_a_secret_once_and_the_command_prints_it_once(signed_in: object) -> None:
    browser = signed_in(cast.ADMINISTRATOR)
    given = {"name": "Harbour hospital", "about": "theatre system, 01632 960 123", "role": "clinician", "site": "", "days": "90"}
    page = browser.post("/programs/", given)
    secret = page.content.decode().split('id="secret">')[1].split("<")[0]
    assert Program(secret).get("/api/me").data["name"] == "Harbour hospital"
    assert "no-store" in page.headers["Cache-Control"]
    assert secret not in browser.get("/programs/").content.decode()
    out = StringIO()
    call_command("api_token", "Harbour hospital", "--again", "--json", by=cast.ADMINISTRATOR, stdout=out)
    new = json.loads(out.getvalue())["secret"]
    assert Program(secret).get("/api/me").status == 401
    assert Program(new).get("/api/me").status == 200
    pk = _client(new).pk
    renewed = browser.post(f"/programs/{pk}/token/", {"days": "5"}).content.decode()
    assert 'id="secret"' in renewed
    browser.post(f"/programs/{pk}/revoke/")
    assert not ApiToken.objects.filter(revoked_at=None).exists()


def test_the_command_refuses_in_words_and_a_dry_run_leaves_nothing() -> None:
    out = StringIO()
    call_command("api_token", "X", role="manager", about="y", by=cast.ADMINISTRATOR, dry_run=True, stdout=out)
    assert "rbk_" not in out.getvalue()
    assert not ApiClient.objects.exists()
    with pytest.raises(CommandError, match="not allowed"):
        call_command("api_token", "X", role="manager", about="y", by=cast.MANAGER)
    with pytest.raises(CommandError, match="no site"):
        call_command("api_token", "X", role="manager", about="y", site="NONE", by=cast.ADMINISTRATOR)


def test_too_many_requests_a_minute_are_refused_and_the_next_minute_is_another() -> None:
    secret, other = a_token("manager"), a_token("manager")
    with override_settings(API_REQUESTS_A_MINUTE=3):
        told = [Program(secret).get("/api/me").status for _ in range(5)]
        assert told == [200, 200, 200, 429, 429]
        refused = Program(secret).get("/api/me")
        assert refused.data["code"] == "too_many_requests"
        assert 0 < int(refused.headers["Retry-After"]) <= 61
        assert Program(other).get("/api/me").status == 200
        with clock.at(clock.now() + timedelta(minutes=1)):
            assert Program(secret).get("/api/me").status == 200
