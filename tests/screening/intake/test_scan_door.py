"""The short way of a scan lets through only what the long way would: session, user, role and token are checked."""

from collections.abc import Callable

import psycopg
import pytest
from django.conf import settings
from django.contrib.auth import HASH_SESSION_KEY
from django.contrib.sessions.models import Session
from django.test import Client
from django.urls import reverse

from screening import scan_door
from screening.models import IntakeSession, Kit, Return, Scan
from staff import quick
from staff.models import Posting, User
from tests import cast
from tests.screening.intake import bench

Sent = Callable[..., object]


@pytest.fixture
def desk(region: object) -> Client:
    """The front desk, signed in and with its token, as the page holds it; tokens are checked."""
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.member(cast.FRONT_DESK), backend="django.contrib.auth.backends.ModelBackend")
    client.get(reverse("screening:post"))
    return client


@pytest.fixture
def ways(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """For each scan that came to the door, whether it went the short way."""
    taken: list[bool] = []
    quick = scan_door.ScanDoor._quick

    def noted(self: object, *args: object) -> object:
        answer = quick(self, *args)
        taken.append(answer is not None)
        return answer

    monkeypatch.setattr(scan_door.ScanDoor, "_quick", noted)
    return taken


def send(desk: Client, session: IntakeSession, kit: Kit, sequence: int = 1, **more: object) -> object:
    """A kit with its day, as the page's script sends it."""
    token = more.pop("token", desk.cookies[settings.CSRF_COOKIE_NAME].value)
    values = {"raw": kit.serial, "day": bench.day_of(2), "sequence": sequence, "window": "w"}
    values |= {"operator": cast.member(cast.FRONT_DESK).pk} | more
    headers = {"Accept": "application/json", "X-CSRFToken": token}
    return desk.post(reverse("screening:post-scan", args=[session.pk]), values, headers=headers)


def test_both_ways_say_and_store_the_same(desk: Client, ways: list[bool]) -> None:
    short, long = (
        send(desk, bench.a_session(), bench.kit_out(), operator=who)
        for who in (cast.member(cast.FRONT_DESK).pk, "")
    )
    assert ways == [True, False]
    same = (
        "outcome",
        "code",
        "word",
        "sentence",
        "day",
        "sound",
        "counts",
        "next",
        "halts",
        "remark",
        "born",
    )
    assert [short.json()[one] for one in same] == [long.json()[one] for one in same]
    assert short.json()["outcome"] == "accepted"
    assert {scan.by for scan in Scan.objects.all()} == {cast.member(cast.FRONT_DESK)}
    for header in ("X-Frame-Options", "X-Content-Type-Options", "Referrer-Policy"):
        assert short[header] == long[header]
    assert short["Content-Security-Policy"] == "default-src 'none'; frame-ancestors 'none'"


def test_a_scan_the_short_way_is_one_short_transaction(
    desk: Client, ways: list[bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    session, kit, statements = bench.a_session(), bench.kit_out(), []
    send(desk, session, bench.kit_out())
    execute, sent = psycopg.Cursor.execute, quick._sent

    def counted(self: psycopg.Cursor, query: object, *args: object, **more: object) -> object:
        statements.append(str(query))
        return execute(self, query, *args, **more)

    def counted_too(raw: object, words: bytes) -> object:
        statements.append(words.decode())
        return sent(raw, words)

    monkeypatch.setattr(psycopg.Cursor, "execute", counted)
    monkeypatch.setattr(quick, "_sent", counted_too)
    send(desk, session, kit, 2)
    assert ways == [True, True]
    own = [text for text in statements if "SAVEPOINT" not in text and '"staff_user"."id"' not in text]
    assert [text.split()[0] for text in own] == ["EXECUTE", "EXECUTE"], (
        "who it is with what is known under lock, and everything it changes"
    )
    assert Return.objects.filter(state="ready").count() == 2


def ended(desk: Client) -> None:
    """The session was ended from elsewhere."""
    Session.objects.all().delete()


def dismissed(desk: Client) -> None:
    """The user has left."""
    User.objects.filter(username=cast.FRONT_DESK).update(is_active=False)


def moved(desk: Client) -> None:
    """The user holds another role now."""
    Posting.objects.filter(user__username=cast.FRONT_DESK).update(role="auditor")


def new_password(desk: Client) -> None:
    """The password was changed, which ends every other session."""
    user = cast.member(cast.FRONT_DESK)
    user.set_password("another one entirely")
    user.save()


def forged(desk: Client) -> None:
    """The signature in the session is not the user's."""
    store = desk.session
    store[HASH_SESSION_KEY] = "0" * 64
    store.save()


@pytest.mark.parametrize(
    ("happens", "status"),
    [(ended, 302), (dismissed, 302), (moved, 403), (new_password, 302), (forged, 302)],
)
def test_what_may_not_pass_is_refused_and_stores_nothing(
    desk: Client, ways: list[bool], happens: Callable[[Client], None], status: int
) -> None:
    session, kit = bench.a_session(), bench.kit_out()
    happens(desk)
    answer = send(desk, session, kit)
    assert (ways, answer.status_code) == ([False], status)
    assert not Scan.objects.exists()


@pytest.mark.parametrize("token", ["", "x" * 32])
def test_a_scan_without_the_pages_token_is_refused(desk: Client, ways: list[bool], token: str) -> None:
    answer = send(desk, bench.a_session(), bench.kit_out(), token=token)
    assert (ways, answer.status_code, Scan.objects.count()) == ([False], 403, 0)


def test_another_users_number_does_not_borrow_their_name(desk: Client, ways: list[bool]) -> None:
    answer = send(desk, bench.a_session(), bench.kit_out(), operator=cast.member(cast.PHONE_DESK).pk)
    assert (ways, answer.status_code) == ([False], 200)
    assert Scan.objects.get().by == cast.member(cast.FRONT_DESK)


def test_an_old_session_is_renewed_the_long_way(desk: Client, ways: list[bool]) -> None:
    store = desk.session
    store["seen"] -= 60
    store.save()
    session = bench.a_session()
    send(desk, session, bench.kit_out())
    send(desk, session, bench.kit_out(), 2)
    assert ways == [False, True]
    store = desk.session
    store["seen"] -= settings.SESSION_IDLE_SECONDS + 60
    store.save()
    assert send(desk, session, bench.kit_out(), 3).status_code == 302


def test_a_session_that_does_not_exist(desk: Client, ways: list[bool]) -> None:
    assert send(desk, IntakeSession(pk=999), bench.kit_out()).status_code == 404
    assert ways == [False]
