"""Measures the scan endpoint under 1, 8 and 32 scanners, over HTTP, beside the bare transaction and an untuned view."""

import os
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import timedelta
from multiprocessing import get_context
from statistics import median
from time import perf_counter, sleep
from urllib.parse import urlencode, urlsplit, urlunsplit

from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import connection
from django.http import HttpRequest
from django.middleware.csrf import get_token

from oversight.measuring.bare_scan import WITH_TRIGGERS, WITHOUT_TRIGGERS, gate_given, scans_bare
from oversight.measuring.bench import ROUNDS, Bench, Measured, bare_hands, with_times
from oversight.measuring.past import past_laid
from oversight.measuring.rounds import rounds_out, serials_of
from screening.models import Delivery, IntakeSession
from screening.services.intake import delivery_record, session_start
from staff import clock
from staff.acting import acting
from staff.models import Site, User
from staff.roles import Role

SCANS = 480  # a round and way, over all scanners
WARM = 12
"""Scans of each scanner before the watch runs, in every way and round: connections and plans are kept, as over a morning.

The way without triggers alters the tables, whereupon every connection plans anew.
"""
MOST_TURNS = 6
WAYS = ("ours", "untuned", "bare", "untriggered")
TABLES = (
    "screening_scan", "screening_kit", "screening_kitmove", "screening_round", "screening_roundmove", "screening_return",
    "screening_returnmove",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scanner:
    """One desk: its user, its session's address, its cookies."""

    user: User
    session: IntakeSession
    headers: dict[str, str]

    def request(self, serial: str, sequence: int) -> bytes:
        """The whole request of one scan, as it goes over the line."""
        day = str((clock.today() - timedelta(days=2)).day)
        body = urlencode({
            "raw": serial, "day": day, "sequence": sequence, "window": "w", "operator": self.user.pk,
        })  # fmt: skip
        lines = [
            f"POST /post/{self.session.pk}/scan HTTP/1.1",
            "Host: 127.0.0.1",
            f"Content-Length: {len(body)}",
        ]
        lines += [f"{name}: {value}" for name, value in self.headers.items()]
        return ("\r\n".join(lines) + "\r\n\r\n" + body).encode()


def scan_1(bench: Bench) -> Measured:
    """One scanner."""
    return _scans(bench, 1)


def scan_8(bench: Bench) -> Measured:
    """Eight scanners at once."""
    return _scans(bench, 8)


def scan_32(bench: Bench) -> Measured:
    """Thirty-two scanners at once."""
    return _scans(bench, 32)


def _scans(bench: Bench, desks: int) -> Measured:
    each = max(min(SCANS, bench.people // 40) // desks, WARM + 1)
    turn = len(WAYS) * (each + WARM) * desks
    turns = max(ROUNDS, min(MOST_TURNS, bench.people // 2 // turn))
    left = iter(serials_of(rounds_out(turns * turn, by=bench.desk)))
    site = Site.objects.filter(receives_kits=True)[0]
    delivery = delivery_record(by=bench.desk, site=site, arrived_on=clock.today())
    past_laid(bench, delivery)
    ways = {way: [_scanner(n, delivery, bench.desk) for n in range(desks)] for way in WAYS}
    seconds: dict[str, list[float]] = {way: [] for way in ways}
    times: list[float] = []

    def kits() -> list[list[str]]:
        return [[next(left) for _ in range(WARM + each)] for _ in range(desks)]

    with (
        _served("config.wsgi:application") as ours,
        _served("oversight.measuring.untuned_wsgi:application") as other,
    ):
        ports = {"ours": ours, "untuned": other}
        for n in range(turns):
            first = 1 + n * (WARM + each)
            for way in WAYS[n % len(WAYS) :] + WAYS[: n % len(WAYS)]:
                if way in ports:
                    heard = times if way == "ours" else []
                    spent = _over_http(ports[way], ways[way], kits(), first, heard)
                else:
                    spent = _bare(bench, ways[way], delivery, kits(), first, triggers=way == "bare")
                seconds[way].append(spent)
    return with_times(_compared(bench, each * desks, seconds), times)


def _compared(bench: Bench, items: int, seconds: dict[str, list[float]]) -> Measured:
    """Our rate over each other way's: the middle of the rounds' ratios."""
    over = {way: median(s / o for o, s in zip(seconds["ours"], seconds[way], strict=True)) for way in WAYS}
    found = bench.result(
        items=items,
        seconds=median(seconds["ours"]),
        limit_seconds=median(seconds["bare"]),
        ratio=over["bare"],
    )
    return replace(found, untuned=over["untuned"], untriggered=over["untriggered"])


def _scanner(n: int, delivery: Delivery, by: User) -> Scanner:
    with acting(by):
        user, _new = User.objects.get_or_create(username=f"desk-{n}", defaults={"full_name": f"Desk {n}"})
        user.postings.get_or_create(role=Role.FRONT_DESK, site=None)
    store = SessionStore()
    store[SESSION_KEY], store[BACKEND_SESSION_KEY] = str(user.pk), "django.contrib.auth.backends.ModelBackend"
    store[HASH_SESSION_KEY] = user.get_session_auth_hash()
    store.save()
    request = HttpRequest()
    token = get_token(request)
    cookies = f"{settings.SESSION_COOKIE_NAME}={store.session_key}; {settings.CSRF_COOKIE_NAME}={request.META['CSRF_COOKIE']}"
    headers = {
        "Cookie": cookies, "X-CSRFToken": token, "Accept": "application/json",
        "Content-Type": "application/x-www-form-urlencoded",
    }  # fmt: skip
    return Scanner(user, session_start(by=user, delivery=delivery), headers)


@contextmanager
def _served(application: str) -> Iterator[int]:
    """The application behind the web server of the front door, on a free port, against the database in use."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    name = str(connection.settings_dict["NAME"])
    url = urlunsplit(urlsplit(settings.OWNER_DATABASE_URL)._replace(path=f"/{name}"))
    env = os.environ | {"DATABASE_URL": url, "DATABASE_OWNER_URL": url, "ROUNDBOOK_LOG_LEVEL": "WARNING"}
    env |= {"ROUNDBOOK_TODAY": clock.today().isoformat(), "ROUNDBOOK_ENV": "dev"}
    command = [
        sys.executable, "-m", "gunicorn", application, "--bind", f"127.0.0.1:{port}", "--worker-class", "gthread",
        "--workers", "3", "--threads", "4", "--keep-alive", "30", "--log-level", "error",
    ]  # fmt: skip
    web = subprocess.Popen(command, cwd=settings.BASE_DIR, env=env)
    try:
        for _ in range(300):
            with socket.socket() as knock:
                if knock.connect_ex(("127.0.0.1", port)) == 0:
                    break
            sleep(0.1)
        yield port
    finally:
        web.terminate()
        web.wait(30)


def _over_http(
    port: int, scanners: Sequence[Scanner], share: Sequence[Sequence[str]], first: int, times: list[float]
) -> float:
    """Every scanner sends its kits one after the other, all at once after the warm ones; seconds until the last answer."""
    start = threading.Barrier(len(scanners) + 1)

    def work(scanner: Scanner, serials: Sequence[str]) -> list[float]:
        asked = [scanner.request(serial, n) for n, serial in enumerate(serials, start=first)]
        with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
            for one in asked[:WARM]:
                _answered(line, one)
            start.wait()
            return [_answered(line, one) for one in asked[WARM:]]

    with ThreadPoolExecutor(len(scanners)) as pool:
        running = [pool.submit(work, *pair) for pair in zip(scanners, share, strict=True)]
        start.wait()
        began = perf_counter()
        for one in running:
            times.extend(one.result())
        return perf_counter() - began


LENGTH = re.compile(rb"\r\ncontent-length: *([0-9]+)\r\n", re.IGNORECASE)


def _answered(line: socket.socket, asked: bytes) -> float:
    """Send one request that was made beforehand, so that the client takes little of the machine; seconds of its answer."""
    began, said = perf_counter(), b""
    line.sendall(asked)
    while True:
        more = line.recv(65_536)
        said += more
        head, gap, body = said.partition(b"\r\n\r\n")
        if gap and (found := LENGTH.search(head + b"\r\n")) and len(body) >= int(found[1]):
            break
        if not more:
            raise AssertionError(f"The server hung up: {said[:200]!r}")
    spent = perf_counter() - began
    if not head.startswith(b"HTTP/1.1 200") or (b"application/json" in head and b"accepted" not in body):
        raise AssertionError(f"A kit was not accepted: {said[:300]!r}")
    return spent


def _bare(
    bench: Bench,
    scanners: Sequence[Scanner],
    delivery: Delivery,
    share: Sequence[Sequence[str]],
    first: int,
    *,
    triggers: bool,
) -> float:
    """The same kits in as many processes with bare psycopg, all at once after the warm ones; seconds of the slowest."""
    today, address = clock.today(), str(settings.OWNER_DATABASE_URL)
    name, setting = str(connection.settings_dict["NAME"]), [str(bench.desk.pk), clock.now().isoformat()]
    facts = {
        "delivery": delivery.pk,
        "today": today,
        "day": today - timedelta(days=2),
        "by": bench.desk.pk,
        "first": first,
    }
    writes = WITH_TRIGGERS if triggers else WITHOUT_TRIGGERS
    hands = nullcontext() if triggers else bare_hands(*TABLES, by=bench.desk)
    spawn = get_context("spawn")
    gate = spawn.Barrier(len(scanners))
    with hands, ProcessPoolExecutor(len(scanners), spawn, gate_given, (gate,)) as pool:
        running = [
            pool.submit(
                scans_bare,
                address,
                name,
                setting,
                writes,
                serials,
                WARM,
                facts | {"session": scanner.session.pk},
            )
            for scanner, serials in zip(scanners, share, strict=True)
        ]
        return max(one.result() for one in running)
