"""Signing in: the right password, lock-out after wrong ones, sessions that end."""

from datetime import timedelta

import pytest
from django.test import Client

from staff import clock
from tests import cast
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
PASSWORD = "tarnuvek-practice"


def _try(client: Client, password: str, username: str = cast.MANAGER, address: str = "10.0.0.1") -> int:
    answer = client.post("/sign-in/", {"username": username, "password": password}, REMOTE_ADDR=address)
    return int(answer.status_code)


def test_the_right_password_opens_the_first_page(client: Client) -> None:
    assert _try(client, PASSWORD) == 302
    assert client.get("/").status_code == 200


def test_the_sign_in_name_is_not_case_sensitive(client: Client) -> None:
    assert _try(client, PASSWORD, username="Sefrin") == 302


def test_five_wrong_passwords_lock_this_name_from_this_address_only(client: Client) -> None:
    assert [_try(client, "wrong") for _ in range(5)] == [200, 200, 200, 200, 429]
    assert _try(client, PASSWORD) == 429
    assert _try(Client(), PASSWORD, address="10.0.0.2") == 302


def test_a_quiet_session_ends(client: Client, settings: object) -> None:
    _try(client, PASSWORD)
    assert client.get("/").status_code == 200
    with clock.at(NOON + timedelta(seconds=settings.SESSION_IDLE_SECONDS + 60)):
        assert client.get("/").status_code == 302
        assert client.get("/").status_code == 302


def test_a_busy_session_ends_after_twelve_hours(client: Client, settings: object) -> None:
    settings.SESSION_IDLE_SECONDS = 3600
    _try(client, PASSWORD)
    for hours in range(12):
        with clock.at(NOON + timedelta(hours=hours, minutes=30)):
            assert client.get("/").status_code == 200
    with clock.at(NOON + timedelta(hours=12, minutes=31)):
        assert client.get("/").status_code == 302


def test_signing_out_ends_the_session(client: Client) -> None:
    _try(client, PASSWORD)
    assert client.post("/sign-out/").status_code == 302
    assert client.get("/").status_code == 302


def test_an_expired_fragment_sends_the_whole_page_to_sign_in(client: Client) -> None:
    answer = client.get("/", headers={"HX-Request": "true"})
    assert (answer.status_code, answer["HX-Redirect"]) == (204, "/sign-in/")


def test_security_headers_are_served(client: Client) -> None:
    answer = client.get("/sign-in/")
    assert "default-src 'self'" in answer["Content-Security-Policy"]
    assert "unsafe" not in answer["Content-Security-Policy"]
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["X-Content-Type-Options"] == "nosniff"
