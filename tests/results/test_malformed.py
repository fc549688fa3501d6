"""Malformed lines and messages by the thousand: every one is answered, none is lost, memory stays bounded."""

import random
import tracemalloc

import pytest

from results.lab_formats import hl7_oru, lis1_frames, mllp
from results.models import InboxLine, InboxMessage, Reading
from results.services.messages import message_receive
from results.services.readings import readings_load
from staff.errors import RoundbookError
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")
COUNTS = [pytest.param(40, id="short"), pytest.param(10_000, id="long", marks=[pytest.mark.campaign, pytest.mark.timeout(7_200)])]  # fmt: skip
MEGABYTE = 1_000_000


def damage(rng: random.Random, content: bytes) -> bytes:
    """One of the ways in which a line or a message arrives broken."""
    at = rng.randrange(len(content))
    ways = [
        lambda: content[:at],
        lambda: content[at:],
        lambda: content[:at] + bytes([rng.randrange(256)]) + content[at + 1 :],
        lambda: content[:at] + b"\x00" + content[at:],
        lambda: (
            content[:at] + "µ≥½é".encode(rng.choice(["utf-8", "utf-16", "latin-1"]), "replace") + content[at:]
        ),
        lambda: content.replace(rng.choice([b"|", b"^", b",", b"\r", b"\n"]), b"", 1),
        lambda: content.replace(b"|", b"||", 1),
        lambda: content + content,
        lambda: bytes(rng.randrange(256) for _ in range(rng.randrange(200))),
        lambda: content[::-1],
        lambda: content[:at] + b"A" * rng.choice([300, 5_000]) + content[at:],
    ]
    return rng.choice(ways)()


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("kind", ["hl7", "lis2"])
def test_malformed_messages_are_all_kept_and_answered(kind: str, count: int) -> None:
    rng = random.Random(f"{kind} {count}")  # noqa: S311 - replayable damage, no secret
    bench.an_open_run()
    serials = [bench.a_sample().serial for _ in range(3)]
    channel = InboxMessage.Channel.MLLP if kind == "hl7" else InboxMessage.Channel.LIS1
    sent = set()
    tracemalloc.start()
    for n in range(count):
        serial = rng.choice(serials)
        good = (
            bench.oru(bench.obx(serial, "5"), control_id=str(n))
            if kind == "hl7"
            else bench.lis2((serial, "5"))
        )
        content = damage(rng, good) or b"?"
        if n == 7:
            content = good.replace(b"|5|", b"|" + b"9" * MEGABYTE + b"|")
        row = message_receive(by=bench.technician(), channel=channel, content=content)
        sent.add(content)
        assert row.verdict in ("matched", "waiting", "refused")
        assert row.sentence
        if kind == "hl7":
            answer = hl7_oru.acknowledgement(content, "AE", row.sentence, "1", bench.stamp())
            assert b"MSA|AE|" in answer
            assert len(answer) < 5_000
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 60 * MEGABYTE
    assert {bytes(c) for c in InboxMessage.objects.values_list("content", flat=True)} == sent
    assert Reading.objects.count() <= len(serials)


@pytest.mark.parametrize("count", COUNTS)
def test_malformed_lines_of_a_file_are_all_answered(count: int) -> None:
    rng = random.Random(count)  # noqa: S311 - replayable damage, no secret
    run = bench.an_open_run()
    good = [f"{n + 1},{bench.a_sample().serial},5,ng/mL,," for n in range(3)]
    rows = []
    for n in range(count):
        broken = damage(rng, rng.choice(good).encode()).decode("utf-8", "replace").replace("\r", " ")
        broken = " ".join(broken.splitlines()).strip()
        rows.append(broken or f"{n}")
    rows[3] = "4," + "9" * MEGABYTE + ",5,ng/mL,,"
    content = "\n".join([bench.HEADER, *rows]).encode()
    file = readings_load(by=bench.technician(), run=run, name="broken.csv", content=content)
    assert (
        file.lines == InboxLine.objects.filter(file_id=file.pk).count() == sum(bool(r.strip()) for r in rows)
    )
    assert not InboxLine.objects.filter(file_id=file.pk, sentence="").exists()
    assert bytes(file.content) == content


@pytest.mark.parametrize("count", COUNTS)
def test_streams_of_anything_keep_their_memory_bounded(count: int) -> None:
    rng = random.Random(count + 1)  # noqa: S311 - replayable damage, no secret
    splitter, receiver = mllp.Splitter(largest=100_000), lis1_frames.Receiver(largest=100_000)
    framed = mllp.framed(bench.oru(bench.obx("X", "5")))
    session = b"\x05" + b"".join(lis1_frames.frames(bench.lis2(("X", "5")))) + b"\x04"
    for n in range(count):
        splitter.feed(damage(rng, framed))
        receiver.feed(damage(rng, session))
        if n == 5:
            splitter.feed(b"z" * MEGABYTE)
            receiver.feed(b"\x05\x02" + b"z" * 200_000)
        assert len(splitter._kept) <= 100_000 + 66_000
        assert len(receiver._text) + len(receiver._frame) <= 100_000 + 66_000
    splitter.close()
    receiver.close()
    assert splitter.feed(framed)[-1].trouble == ""
    assert receiver.feed(session)[1][-1].trouble == ""


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe\x00", b"a;b;c\n1;2;3\n", b"running_number\n", b"\x00" * 50]
)
def test_a_file_of_no_known_format_is_refused_whole_in_words(content: bytes) -> None:
    run = bench.an_open_run()
    with pytest.raises(RoundbookError) as refused:
        readings_load(by=bench.technician(), run=run, name="x", content=content)
    assert str(refused.value.sentence)
