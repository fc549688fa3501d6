"""What is too much is refused early, by the production proxy and by the web service behind it, with memory bounded.

The figure: an answer before 10 MB are taken, the processes' memory grows by less than 50 MB, and others are served meanwhile.
Statuses: 413, 431 and 415 are RFC 9110 and RFC 6585; nginx answers a head that is too large with 400 (its documentation of
`large_client_header_buffers`). A zip bomb is a small archive of very many zeros; an entity bomb is XML whose entities
multiply (OWASP, XML External Entity Prevention). No door parses archives or XML: `test_nothing_unpacks_what_comes_in` holds it.
The suite sends 200 MB of zeros, the campaign 5 GB.
"""

import ast
import gzip
import io
import json
import socket
import ssl
import sys
import time
import zipfile
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from django.conf import settings
from django.db import connection

from oversight.rehearsal.setting import region_lay_down
from screening.models import RegisterLoad
from tests import cast
from tests.api.program import a_token, fresh_key
from tests.conftest import FIRST_DAY, clone_database, drop_database, use_database
from tests.faults.test_broker_lost import _cookie as session_cookie
from tests.production.shape import MB, Memory, fresh_name, shape_over, statics_collected
from tools.production import HOST_NAME, Production

pytestmark = [pytest.mark.stack, pytest.mark.timeout(900), pytest.mark.xdist_group("production")]
ROOT = Path(__file__).resolve().parents[2]
SIZES = [
    pytest.param(200 * MB, id="short"),
    pytest.param(5 * 1024 * MB, id="long", marks=pytest.mark.campaign),
]
WAITS = [pytest.param(3.0, id="short"), pytest.param(45.0, id="long", marks=pytest.mark.campaign)]
MOST_TAKEN, MOST_GROWN = 10 * MB, 50 * MB
TAKE_FILES = ("/register/", "/lab/readings/", "/api/register-loads")
MOST_COUNTED = 40 * MB
"""The 33 MB that such an address takes, and what is on its way in the buffers of both ends."""
ZEROS = b"\0" * 65536
DOORS = (
    "/sign-in/",
    "/register/",
    "/lab/readings/",
    "/post/1/scan",
    "/api/register-loads",
    "/api/deliveries",
    "/nowhere",
)


class World:
    """The running shape, and who may ask it."""

    def __init__(self, shape: Production) -> None:
        self.shape = shape
        self.cookie = session_cookie(cast.MANAGER)
        self.tokens = {role: a_token(role) for role in ("administrator", "laboratory", "front_desk")}
        connection.close()


@pytest.fixture(scope="module")
def world(
    worker_database: str, tmp_path_factory: pytest.TempPathFactory, django_db_blocker: pytest.FixtureRequest
) -> Iterator[World]:
    name = f"rbown_{fresh_name()[:12]}"
    clone_database(name)
    with (
        django_db_blocker.unblock(),
        shape_over(name, tmp_path_factory.mktemp("shape"), ROUNDBOOK_SECRET_KEY=settings.SECRET_KEY) as shape,
    ):
        use_database(name)
        region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
        statics_collected(shape)
        shape.start_web()
        shape.start_proxy()
        shape.wait_until_ready(180)
        yield World(shape)
        use_database(worker_database)
    drop_database(name)


def _line(shape: Production, *, proxy: bool, timeout: float = 30) -> socket.socket:
    """A connection to the proxy over TLS, or to the web service itself."""
    if proxy:
        context = ssl.create_default_context(cafile=str(shape.place / "fullchain.pem"))
        raw = socket.create_connection(("127.0.0.1", shape.https), timeout=timeout)
        return context.wrap_socket(raw, server_hostname=HOST_NAME)
    address, _colon, port = shape.webs["web"].partition(":")
    return socket.create_connection((address, int(port)), timeout=timeout)


def _head(method: str, path: str, *more: str) -> bytes:
    lines = (f"{method} {path} HTTP/1.1", f"Host: {HOST_NAME}", "X-Forwarded-Proto: https", *more)
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def _status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/1.1 ") else 0


def _read(line: socket.socket) -> bytes:
    """What came back, until the other side has no more to say."""
    found = b""
    try:
        while part := line.recv(65536):
            found += part
            if _whole(found):
                return found
    except (OSError, ssl.SSLError):
        pass
    return found


def _whole(found: bytes) -> bool:
    head, gap, body = found.partition(b"\r\n\r\n")
    lengths = [
        int(one.split(b":")[1]) for one in head.lower().split(b"\r\n") if one.startswith(b"content-length:")
    ]
    return bool(gap and lengths and len(body) >= lengths[0])


def _pour(line: socket.socket, head: bytes, size: int, *, chunked: bool = False) -> tuple[bytes, int]:
    """Send a head and zeros made on the way until all are sent or the other side answers; the answer, and bytes taken."""
    line.sendall(head)
    sent = 0
    line.settimeout(0.001)
    answer = b""
    while sent < size and not answer:
        part = ZEROS[: size - sent]
        try:
            line.settimeout(20)
            line.sendall(b"%x\r\n%b\r\n" % (len(part), part) if chunked else part)
            sent += len(part)
            line.settimeout(0.0005)
            answer = line.recv(65536)
        except (TimeoutError, ssl.SSLWantReadError):
            continue
        except OSError:
            break
    line.settimeout(10)
    return answer + (b"" if _whole(answer) else _read(line)), sent


def tell(words: str) -> None:
    """One line of what was measured, for whoever runs the campaign with `-s`."""
    sys.stdout.write(words + "\n")


@pytest.mark.parametrize("size", SIZES)
def test_a_flood_is_refused_before_it_is_taken(world: World, size: int) -> None:
    memory, taken = Memory(world.shape, "web", "proxy"), {}
    for path in DOORS:
        for proxy, chunked in ((True, False), (True, True), (False, False)):
            how = "Transfer-Encoding: chunked" if chunked else f"Content-Length: {size}"
            kind = "text/csv" if "register-loads" in path else "multipart/form-data; boundary=x"
            token = f"Authorization: Bearer {world.tokens['administrator']}"
            head = _head("POST", path, how, f"Content-Type: {kind}", token, f"Idempotency-Key: {fresh_key()}")
            with _line(world.shape, proxy=proxy) as line:
                answer, sent = _pour(line, head, size, chunked=chunked)
            expected = {413} if proxy else {413, 403, 404, 415}
            assert _status(answer) in expected, (path, proxy, chunked, answer[:200])
            assert not proxy or _said_well(path, answer), answer
            counted = (
                chunked and path in TAKE_FILES
            )  # without a size, the proxy counts up to what the address takes
            assert sent <= (MOST_COUNTED if counted else MOST_TAKEN), (path, proxy, chunked, sent)
            taken[path, proxy, chunked] = sent
    tell(
        f"{size / MB:.0f} MB to {len(taken)} doors: at most {max(taken.values()) / MB:.1f} MB taken, memory grew {memory.grown / MB:.1f} MB"
    )
    assert memory.grown < MOST_GROWN
    assert world.shape.asked_directly(world.shape.webs["web"])


def _said_well(path: str, answer: bytes) -> bool:
    """Programs get a problem document (RFC 9457), people a sentence; each says that nothing was read."""
    head, _gap, body = answer.partition(b"\r\n\r\n")
    if path.startswith("/api/"):
        problem = json.loads(body)
        return b"application/problem+json" in head and (problem["status"], problem["code"]) == (
            413,
            "too_large",
        )
    return b"text/plain" in head and b"Nothing was read and nothing was changed." in body


@pytest.mark.parametrize("proxy", [True, False], ids=["proxy", "web"])
@pytest.mark.parametrize("where", ["head", "cookie", "line", "many"])
def test_a_head_of_a_megabyte_is_refused(world: World, where: str, proxy: bool) -> None:
    memory = Memory(world.shape, "web", "proxy")
    big = "a" * MB
    head = {
        "head": _head("GET", "/sign-in/", f"X-Much: {big}"),
        "cookie": _head("GET", "/sign-in/", f"Cookie: sessionid={big}"),
        "line": _head("GET", f"/sign-in/?next={big}"),
        "many": _head("GET", "/sign-in/", *(f"X-{n}: {'b' * 1000}" for n in range(1000))),
    }[where]
    with _line(world.shape, proxy=proxy) as line:
        try:
            line.sendall(head)
        except OSError:
            pass
        answer = _read(line)
    assert _status(answer) in {400, 414, 431}, answer[:200]
    assert memory.grown < 5 * MB
    assert world.shape.asked_directly(world.shape.webs["web"])


@pytest.mark.parametrize("seconds", WAITS)
def test_whoever_sends_slowly_holds_nobody_up(world: World, seconds: float) -> None:
    """Forty slow bodies and forty slow heads, ten times the web service's threads; others are answered at once."""
    shape, slow = world.shape, []
    memory = Memory(shape, "web", "proxy")
    for n in range(80):
        line = _line(shape, proxy=True)
        line.sendall(
            _head("POST", "/sign-in/", "Content-Length: 100000")
            if n % 2
            else b"GET /sign-in/ HTTP/1.1\r\nHost: "
        )
        slow.append(line)
    began, longest = time.monotonic(), 0.0
    while time.monotonic() - began < seconds:
        for line in slow if time.monotonic() - began < 5 else ():
            try:
                line.sendall(b"a")
            except OSError:
                pass
        asked = time.monotonic()
        line = shape.connect()
        line.request("GET", "/sign-in/", headers={"Host": HOST_NAME})
        assert line.getresponse().status == 200
        longest = max(longest, time.monotonic() - asked)
        time.sleep(0.3)
    assert longest < 2, f"somebody waited {longest:.2f} s"
    assert memory.grown < MOST_GROWN
    if seconds > 40:  # nothing came for longer than the proxy waits
        assert [one for one in slow if _still_open(one)] == []
    tell(
        f"80 slow senders, {seconds:.0f} s: the longest answer took {longest:.2f} s, memory grew {memory.grown / MB:.1f} MB"
    )
    for line in slow:
        line.close()


def _still_open(line: socket.socket) -> bool:
    line.settimeout(1)
    try:
        while line.recv(4096):
            pass
    except (TimeoutError, ssl.SSLWantReadError):
        return True
    except OSError:
        pass
    return False


def bombs() -> dict[str, bytes]:
    """Small things that become large for whoever unpacks or expands them."""
    zipped = io.BytesIO()
    with (
        zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("xl/workbook.xml", "w") as inner,
    ):
        for _ in range(100 * MB // len(ZEROS)):
            inner.write(ZEROS)
    entities = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 12))
    xml = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e0 "ha">{entities}]><x>&e11;</x>'
    return {
        "zip": zipped.getvalue(),
        "gzip": gzip.compress(b"\0" * 100 * MB, 1),
        "xml": xml.encode(),
        "many lines": b"a\n" * 5 * MB,
    }


def test_bombs_are_answered_in_words_and_never_unpacked(world: World) -> None:
    memory, seen = Memory(world.shape, "web", "proxy"), {}
    for name, body in bombs().items():
        for role, path in (
            ("administrator", "/api/register-loads"),
            ("laboratory", "/api/runs/1/readings"),
            ("front_desk", "/api/deliveries"),
        ):
            for kind in ("text/csv", "application/xml", "application/json", "application/zip"):
                more = {"Content-Encoding": "gzip"} if name == "gzip" else {}
                seen[name, path, kind] = _sent(world, role, path, body, kind, more)
    page = {name: _page(world, body) for name, body in bombs().items()}
    assert set(seen.values()) <= {400, 404, 413, 415, 422}, seen
    assert set(page.values()) <= {413, 422}, page
    tell(
        f"{len(seen) + len(page)} bombs, statuses {sorted(set(seen.values()) | set(page.values()))}, memory grew {memory.grown / MB:.1f} MB"
    )
    assert memory.grown < 2 * MOST_GROWN
    assert not RegisterLoad.objects.exists()


def test_the_refusal_of_a_body_nobody_reads_always_arrives(world: World) -> None:
    """The web server hangs up on a body left unread (RFC 9112, 9.6 has why that loses answers); ours is read and dropped."""
    body = ZEROS * 16

    def refused(_n: int) -> int:
        return _sent(world, "administrator", "/api/register-loads", body, "application/xml", {})

    with ThreadPoolExecutor(4) as pool:
        assert Counter(pool.map(refused, range(200))) == {415: 200}


def _sent(world: World, role: str, path: str, body: bytes, kind: str, more: dict[str, str]) -> int:
    line = world.shape.connect(60)
    token = {"Authorization": f"Bearer {world.tokens[role]}", "Idempotency-Key": fresh_key()}
    line.request("POST", path, body, {"Host": HOST_NAME, "Content-Type": kind} | token | more)
    return line.getresponse().status


def _page(world: World, body: bytes) -> int:
    """The same as a file on a page, by somebody signed in; the form's own token comes from the cookie."""
    token = "a" * 32
    fields = f'--bound\r\nContent-Disposition: form-data; name="csrfmiddlewaretoken"\r\n\r\n{token}\r\n'
    fields += '--bound\r\nContent-Disposition: form-data; name="file"; filename="feed.xlsx"\r\nContent-Type: application/zip\r\n\r\n'
    whole = fields.encode() + body + b"\r\n--bound--\r\n"
    headers = {
        "Host": HOST_NAME, "Content-Type": "multipart/form-data; boundary=bound", "Referer": f"https://{HOST_NAME}/register/",
        "Cookie": f"{world.cookie}; csrftoken={token}",
    }  # fmt: skip
    line = world.shape.connect(60)
    line.request("POST", "/register/", whole, headers)
    return line.getresponse().status


UNPACKERS = {
    "xml",
    "lxml",
    "defusedxml",
    "xmltodict",
    "bs4",
    "gzip",
    "bz2",
    "lzma",
    "tarfile",
    "pickle",
    "marshal",
    "shelve",
    "yaml",
    "openpyxl",
}
READ_FROM_FILES = {
    "read_csv",
    "read_excel",
    "read_xml",
    "read_parquet",
    "scan_csv",
    "load_workbook",
    "unpack_archive",
    "decompress",
}


OWN_BYTES = {
    "oversight/services/papers.py",
    "oversight/rehearsal/desks.py",
    "oversight/services/export_files.py",
}
"""These read what they or the database wrote themselves; nothing of it came from outside."""


def test_nothing_unpacks_what_comes_in() -> None:
    """No module of the application can parse XML, open an archive, or read a table by a library that would."""
    guilty = []
    for app in ("staff", "screening", "results", "outreach", "oversight"):
        for path in (ROOT / app).rglob("*.py"):
            if "migrations" in path.parts or str(path.relative_to(ROOT)) in OWN_BYTES:
                continue
            for node in ast.walk(ast.parse(path.read_text())):
                guilty += [f"{path.relative_to(ROOT)}: {words}" for words in _unpacks(node)]
    assert guilty == []


def _unpacks(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import | ast.ImportFrom):
        names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [one.name for one in node.names]
        yield from (name for name in names if name.split(".")[0] in UNPACKERS)
    if isinstance(node, ast.Call):
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in READ_FROM_FILES:
            yield f"calls {name}"
        if name == "ZipFile" and not (
            len(node.args) > 1 and isinstance(node.args[1], ast.Constant) and node.args[1].value == "w"
        ):
            yield "opens an archive"
