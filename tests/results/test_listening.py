"""Listening to analysers on loopback: messages kept and answered, cut lines kept too, nothing lost under many lines."""

import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import hl7
import pytest
from django.db import connections

from results.lab_formats import lis1_frames, mllp
from results.listening import Desk, Line, Lis1Line, Listener, MllpLine
from results.models import InboxMessage, Reading
from staff import clock
from tests import lab_bench as bench
from tests.conftest import FIRST_DAY, NOON

pytestmark = pytest.mark.timeout(120)


@pytest.fixture
def committed_region(fresh_db: str) -> Iterator[None]:
    from oversight.rehearsal.setting import region_lay_down

    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
    yield
    connections.close_all()


class StillLine:
    """Gives each line's thread the test's clock, which threads do not inherit."""

    def handle(self) -> None:
        with clock.at(NOON):
            super().handle()  # type: ignore[misc]
        connections.close_all()


class StillMllp(StillLine, MllpLine):
    pass


class StillLis1(StillLine, Lis1Line):
    pass


@pytest.fixture
def listening(committed_region: None) -> Iterator[object]:
    servers: list[Listener] = []

    def start(line: type[Line]) -> tuple[str, int]:
        server = Listener(("127.0.0.1", 0), line, Desk(bench.technician(), None, lambda row: None))
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        servers.append(server)
        return server.server_address  # type: ignore[return-value]

    yield start
    for server in servers:
        server.shutdown()
        server.server_close()


def exchange(address: tuple[str, int], sent: bytes, *, answers: int) -> list[bytes]:
    with socket.create_connection(address, timeout=30) as line:
        line.sendall(sent)
        splitter, found = mllp.Splitter(), []
        while len(found) < answers and (data := line.recv(65_536)):
            found += [cut.content for cut in splitter.feed(data)]
    return found


def codes(answers: list[bytes]) -> list[str]:
    return [str(hl7.parse(answer.decode())["MSA"][0][1]) for answer in answers]


def test_hl7_over_mllp_is_kept_and_answered(listening: object) -> None:
    samples = [bench.a_sample() for _ in range(2)]
    bench.an_open_run()
    address = listening(StillMllp)  # type: ignore[operator]
    good = bench.oru(bench.obx(samples[0].serial, "5"), control_id="A1")
    bad = bench.oru(bench.obx("nonsense", "5"), control_id="A2")
    whole = [good, good, bad, b"MSH|^~\\&|Q1", b"\xff\xfe not hl7 \x00"]
    sent = b"".join(mllp.framed(one) for one in whole)
    assert codes(exchange(address, sent, answers=5)) == ["AA", "AA", "AE", "AR", "AR"]
    assert InboxMessage.objects.get(control_id="A1").times == 2
    assert Reading.objects.count() == 1
    exchange(address, b"\x0b" + bench.oru(bench.obx(samples[1].serial, "5"), control_id="CUT"), answers=0)
    for _ in range(100):
        if InboxMessage.objects.filter(trouble="cut_frame").exists():
            break
        threading.Event().wait(0.05)
    assert InboxMessage.objects.filter(trouble="cut_frame", verdict="refused").count() == 1
    assert Reading.objects.count() == 1


def test_many_lines_at_once_lose_nothing_and_take_nothing_twice(listening: object) -> None:
    samples = [bench.a_sample() for _ in range(12)]
    bench.an_open_run()
    address = listening(StillMllp)  # type: ignore[operator]
    parts = [mllp.framed(bench.oru(bench.obx(s.serial, "5"), control_id=s.serial)) for s in samples]
    with ThreadPoolExecutor(6) as pool:
        found = list(
            pool.map(lambda n: exchange(address, b"".join(parts[n::3]), answers=4), [0, 1, 2, 0, 1, 2])
        )
    assert codes([answer for one in found for answer in one]) == ["AA"] * 24
    assert Reading.objects.count() == 12
    assert sorted(Reading.objects.values_list("running_number", flat=True)) == list(range(1, 13))


def test_lis2_over_a_serial_line_carried_by_tcp(listening: object) -> None:
    samples = [bench.a_sample() for _ in range(2)]
    bench.an_open_run()
    address = listening(StillLis1)  # type: ignore[operator]
    made = lis1_frames.frames(bench.lis2(*[(s.serial, "5") for s in samples]))
    damaged = made[2][:6] + b"?" + made[2][7:]
    with socket.create_connection(address, timeout=30) as line:
        told = b""
        for part in [b"\x05", *made[:2], damaged, *made[2:]]:
            line.sendall(part)
            told += line.recv(1)
        line.sendall(b"\x04\x05")
        told += line.recv(1)
    assert told == b"\x06\x06\x06\x15" + b"\x06" * (len(made) - 2) + b"\x06"
    assert InboxMessage.objects.get().verdict == "matched"
    assert Reading.objects.count() == 2
