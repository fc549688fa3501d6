"""Accounts: the first one in an empty installation, the others by an administrator, and never nobody who administers."""

import io
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from staff.models import (
    Posting,
    Site,
    User,
    UserHistory,  # type: ignore[attr-defined]
)

pytestmark = pytest.mark.django_db
GOOD = "violet-harbour-42"


def _call(monkeypatch: pytest.MonkeyPatch, *arguments: str, password: str = GOOD) -> str:
    monkeypatch.setattr("sys.stdin", io.StringIO(password + "\n"))
    out = io.StringIO()
    call_command("account", *arguments, stdout=out)
    return out.getvalue()


def _signed_in(username: str, password: str = GOOD) -> Client | None:
    """A browser signed in at the page, None when it was refused."""
    browser = Client()
    answer = browser.post("/sign-in/", {"username": username, "password": password})
    return browser if answer.status_code == 302 else None


def test_a_new_installation_from_its_first_account_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def run(*arguments: str, **more: Any) -> str:
        return _call(monkeypatch, *arguments, **more)

    with pytest.raises(CommandError, match="must be an administrator"):
        run("orla", "--name", "Orla Penhallow", "--role", "manager", "--stdin")
    with pytest.raises(CommandError, match="too short"):
        run("orla", "--name", "Orla Penhallow", "--role", "administrator", "--stdin", password="short")
    assert not Posting.objects.exists()
    assert "administrator; active" in run(
        "orla", "--name", "Orla Penhallow", "--role", "administrator", "--stdin"
    )
    assert _signed_in("orla")
    with pytest.raises(CommandError, match="--by"):
        run("bram", "--name", "Bram", "--role", "laboratory", "--stdin")
    assert run("--site", "L1", "--name", "Harbour laboratory", "--does", "laboratory", "--by", "orla")
    assert Site.objects.get().is_laboratory
    assert "laboratory@L1" in run(
        "bram", "--name", "Bram", "--role", "laboratory@L1", "--stdin", "--by", "orla"
    )
    assert "clinician, manager" in run("bram", "--role", "clinician", "--role", "manager", "--by", "orla")
    assert "closed" in run("bram", "--close", "--by", "orla")
    assert not _signed_in("bram")
    assert "active" in run("BRAM", "--open", "--by", "orla")
    assert set(run("--list").split("\n")) >= {"bram: Bram; clinician, manager; active"}
    assert UserHistory.objects.filter(username="bram").count() >= 3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("orla", "--role", "manager"), "Nobody could administer then"),
        (("orla", "--close"), "Nobody could administer then"),
        (("mira", "--name", "Mira", "--role", "captain", "--stdin"), "There is no role"),
        (("mira", "--name", "Mira", "--role", "manager@Q9", "--stdin"), "There is no site"),
        (("mira", "--name", "Mira", "--stdin"), "at least one role"),
    ],
)
def test_what_cannot_be_is_refused_and_leaves_nothing(
    arguments: tuple[str, ...], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    _call(monkeypatch, "orla", "--name", "Orla Penhallow", "--role", "administrator", "--stdin")
    before = (
        list(User.objects.values_list("username", "is_active")),
        list(Posting.objects.values_list("user", "role")),
    )
    with pytest.raises(CommandError, match=words):
        _call(monkeypatch, *arguments, "--by", "orla")
    assert before == (
        list(User.objects.values_list("username", "is_active")),
        list(Posting.objects.values_list("user", "role")),
    )


def test_only_an_administrator_may(monkeypatch: pytest.MonkeyPatch) -> None:
    _call(monkeypatch, "orla", "--name", "Orla Penhallow", "--role", "administrator", "--stdin")
    _call(monkeypatch, "mira", "--name", "Mira", "--role", "manager", "--stdin", "--by", "orla")
    for who in ("mira", "roundbook"):
        with pytest.raises(CommandError):
            _call(monkeypatch, "theo", "--name", "Theo", "--role", "manager", "--stdin", "--by", who)
    assert not User.objects.filter(username="theo").exists()


def test_a_new_password_ends_every_session(monkeypatch: pytest.MonkeyPatch) -> None:
    _call(monkeypatch, "orla", "--name", "Orla Penhallow", "--role", "administrator", "--stdin")
    browser = _signed_in("orla")
    assert browser
    assert browser.get("/").status_code != 302
    _call(monkeypatch, "orla", "--password", "--stdin", "--by", "orla", password="amber-lantern-77")
    assert "sign-in" in browser.get("/", follow=False)["Location"]
    assert not _signed_in("orla")
    assert _signed_in("orla", "amber-lantern-77")
