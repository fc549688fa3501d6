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


LATE = NOON + timedelta(hours=13)
HOST = {"Referer": "http://testserver/closed-days/?year=2026"}


def test_a_form_sent_too_late_comes_back_to_its_page_and_says_it_was_not_kept(client: Client) -> None:
    _try(client, PASSWORD)
    client.get("/")
    with clock.at(LATE):
        sent = client.post("/closed-days/1/open/", {"why": "typed"}, headers=HOST)
        assert sent.status_code == 302
        assert "was not kept" in client.get(sent["Location"]).content.decode()
        back = client.post(sent["Location"], {
            "username": cast.MANAGER, "password": PASSWORD, "next": "/closed-days/?year=2026",
        })  # fmt: skip
        assert back["Location"] == "/closed-days/?year=2026"
        page = client.get(back["Location"])
        assert page.status_code == 200
        assert "what you typed was not kept. Enter it again." in page.content.decode()
        assert "was not kept" not in client.get(back["Location"]).content.decode(), "told once"


def test_the_sign_in_page_carries_the_page_of_a_lost_form(client: Client) -> None:
    sent = client.post("/closed-days/1/open/", headers=HOST)
    assert 'name="next" value="/closed-days/?year=2026"' in client.get(sent["Location"]).content.decode()
    fragment = client.post("/closed-days/1/open/", headers=HOST | {"HX-Request": "true"})
    assert fragment["HX-Redirect"] == sent["Location"]
    _try(client, PASSWORD)
    assert client.get(sent["Location"])["Location"] == "/closed-days/?year=2026", "signed in elsewhere"
    assert "what you typed was not kept" in client.get("/closed-days/").content.decode()


@pytest.mark.parametrize(
    "referer", ["", "http://elsewhere.example/x/", "http://testserver//elsewhere.example/", "nonsense"]
)
def test_a_lost_form_of_no_page_of_ours_leads_to_the_first_page(client: Client, referer: str) -> None:
    sent = client.post("/closed-days/1/open/", headers={"Referer": referer})
    assert sent["Location"] == "/sign-in/?lost=1"


def test_signing_out_too_late_is_no_lost_form(client: Client) -> None:
    _try(client, PASSWORD)
    client.get("/")
    with clock.at(LATE):
        assert client.post("/sign-out/", headers=HOST)["Location"] == "/sign-in/"


def test_a_page_asked_for_too_late_is_opened_after_signing_in(client: Client) -> None:
    assert client.get("/closed-days/?year=2026")["Location"] == "/sign-in/?next=/closed-days/%3Fyear%3D2026"


@pytest.mark.parametrize(
    "address",
    [
        "/people/1/note/",
        "/people/1/postpone/",
        "/people/1/look/",
        "/mail/pack/1/opened/",
        "/rounds/1/hand-over",
    ],
)
def test_an_address_that_only_takes_forms_says_so_in_words(client: Client, address: str) -> None:
    _try(client, PASSWORD, username=cast.PHONE_DESK)
    answer = client.get(address)
    assert (answer.status_code, answer["Allow"]) == (405, "POST")
    page = answer.content.decode()
    assert "This address only takes what a form sends" in page
    assert 'class="tabs"' in page
    above = "/mail/pack/1/" if "pack" in address else "/people/1/"
    assert (f'class="button main" href="{above}"' in page) is ("rounds" not in address)
