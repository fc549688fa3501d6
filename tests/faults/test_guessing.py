"""Guessing passwords: how many guesses are looked at at all, and what a forged address is worth."""

from typing import Any

import pytest
from django.contrib.auth.hashers import MD5PasswordHasher
from django.test import Client, RequestFactory

from staff.address import address_of
from tests import cast

pytestmark = pytest.mark.usefixtures("region")
PASSWORD = "tarnuvek-practice"


def _guess(username: str, password: str, *, address: str = "10.0.0.1", **headers: str) -> int:
    answer = Client().post(
        "/sign-in/",
        {"username": username, "password": password},
        REMOTE_ADDR=address,
        headers=headers or None,
    )
    return int(answer.status_code)


@pytest.fixture
def hashed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The passwords that reached the hasher."""
    seen: list[str] = []
    verify = MD5PasswordHasher.verify

    def counted(self: Any, password: str, encoded: str) -> bool:
        seen.append(password)
        return bool(verify(self, password, encoded))

    monkeypatch.setattr(MD5PasswordHasher, "verify", counted)
    return seen


@pytest.mark.parametrize("guesses", [40, pytest.param(1_000, marks=pytest.mark.campaign)])
def test_few_of_many_guesses_reach_the_hasher(guesses: int, hashed: list[str]) -> None:
    answers = [_guess(cast.MANAGER, f"guess {n}") for n in range(guesses)]
    assert answers[:4] == [200] * 4
    assert set(answers[4:]) == {429}
    assert len(hashed) <= 10


@pytest.mark.parametrize("header", ["X-Forwarded-For", "X-Real-IP", "Forwarded", "Client-IP", "X-Forwarded"])
def test_a_forged_address_does_not_unlock(header: str) -> None:
    for n in range(5):
        _guess(cast.MANAGER, "wrong", **{header: f"10.9.8.{n}"})
    assert _guess(cast.MANAGER, PASSWORD) == 429
    assert _guess(cast.MANAGER, PASSWORD, **{header: "10.7.7.7"}) == 429
    assert _guess(cast.MANAGER, PASSWORD, address="10.0.0.2") == 302


def test_behind_the_proxy_only_the_address_it_wrote_counts(settings: Any) -> None:
    """The production shape: one proxy; it writes the address it saw last, whatever the client wrote before."""
    settings.TRUSTED_PROXIES = 1
    proxy = "172.16.0.5"
    for n in range(5):
        _guess(cast.MANAGER, "wrong", address=proxy, **{"X-Forwarded-For": f"198.51.100.{n}, 203.0.113.9"})
    assert _guess(cast.MANAGER, PASSWORD, address=proxy, **{"X-Forwarded-For": "203.0.113.9"}) == 429
    assert (
        _guess(cast.MANAGER, PASSWORD, address=proxy, **{"X-Forwarded-For": "10.1.1.1, 203.0.113.9"}) == 429
    )
    assert _guess(cast.MANAGER, PASSWORD, address=proxy, **{"X-Forwarded-For": "203.0.113.10"}) == 302


@pytest.mark.parametrize(
    ("proxies", "written", "expected"),
    [
        (0, "203.0.113.9", "172.16.0.5"),
        (1, "", "172.16.0.5"),
        (1, "no address", "172.16.0.5"),
        (1, "203.0.113.9", "203.0.113.9"),
        (1, "1.2.3.4, 2001:db8::9", "2001:db8::9"),
        (2, "1.2.3.4, 203.0.113.9, 10.0.0.1", "203.0.113.9"),
        (2, "10.0.0.1", "172.16.0.5"),
    ],
)
def test_whose_word_counts(
    rf: RequestFactory, settings: Any, proxies: int, written: str, expected: str
) -> None:
    settings.TRUSTED_PROXIES = proxies
    request = rf.get("/", REMOTE_ADDR="172.16.0.5", headers={"X-Forwarded-For": written})
    assert address_of(request) == expected


def test_one_guess_on_many_names_says_nothing_about_them() -> None:
    known = Client().post("/sign-in/", {"username": cast.NURSE, "password": "wrong"})
    unknown = Client().post("/sign-in/", {"username": "nobody-here", "password": "wrong"})
    assert (known.status_code, unknown.status_code) == (200, 200)
    messages = [str(answer.context["form"].non_field_errors()) for answer in (known, unknown)]
    assert messages[0] == messages[1]
