"""A small file of very many lines is refused by counting, before a list of them is made; real files are not."""

import tracemalloc
from collections.abc import Callable
from datetime import date

import pytest

from outreach.services.packs import manifest_take
from results.services.readings import MOST_LINES, readings_load
from screening.services.register_lines import COLUMNS
from screening.services.register_read import register_file_read
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("region")]
MB = 1024 * 1024
REGISTER = ",".join(COLUMNS).encode() + b"\n"


def _register(lines: bytes) -> object:
    return register_file_read(REGISTER + lines, today=date(2026, 6, 17), areas=frozenset())


def _readings(lines: bytes) -> object:
    header = bench.HEADER.encode() + b"\n"
    return readings_load(
        by=bench.technician(), run=bench.an_open_run(), name="day.csv", content=header + lines
    )


def _manifest(lines: bytes) -> object:
    return manifest_take(by=cast.member(cast.MANAGER), name="packed.csv", content=lines)


@pytest.mark.parametrize(
    ("take", "code"),
    [(_register, "file_lines_short"), (_readings, "readings_too_many"), (_manifest, "manifest_wrong")],
)
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_millions_of_short_lines_cost_nothing(take: Callable[[bytes], object], code: str, end: bytes) -> None:
    lines = (b"a" + end) * (4 * MB // (1 + len(end)))
    tracemalloc.start()
    try:
        with pytest.raises(RoundbookError) as refused:
            take(lines)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert refused.value.code == code
    assert most < 3 * len(lines) + 4 * MB


@pytest.mark.parametrize("end", ["\v", "\x1c", "\u2028", "\x85"])
def test_every_end_of_a_line_is_counted(end: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        _readings(f"a{end}".encode() * (MOST_LINES + 1))
    assert refused.value.code == "readings_too_many"
    assert str(MOST_LINES) in str(refused.value)


def test_a_file_with_some_short_lines_is_answered_line_by_line() -> None:
    assert len(_register(b"a\n" * 2000).refused) == 2000  # type: ignore[attr-defined]
