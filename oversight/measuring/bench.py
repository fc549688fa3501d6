"""The bench of a measurement: timing, interleaved races against a bare limit, and the owner's hands."""

import resource
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from functools import cached_property
from statistics import median, quantiles
from time import perf_counter
from typing import Any

import psycopg
from django.db import connection

from oversight.measuring.database import owner_connection
from staff import clock
from staff.models import User

ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Measured:
    """One figure: our time for so many things, the bare limit's, and our rate over its rate.

    `untuned` is our rate over that of an untuned view in the same run, where there is one; `untriggered` over that of
    the bare limit with the tables' triggers off, where the limit itself keeps them.
    """

    name: str
    people: int
    items: int
    seconds: float
    limit: str = ""
    limit_seconds: float | None = None
    ratio: float | None = None
    p50_ms: float | None = None
    p95_ms: float | None = None
    peak_mb: float | None = None
    untuned: float | None = None
    untriggered: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """The figures that apply, rounded for reading."""
        digits = {
            "seconds": 4,
            "limit_seconds": 4,
            "ratio": 3,
            "p50_ms": 2,
            "p95_ms": 2,
            "peak_mb": 0,
            "untuned": 2,
            "untriggered": 3,
        }
        return {
            key: round(value, digits[key]) if key in digits else value
            for key, value in asdict(self).items()
            if value is not None and value != ""
        }


Around = Callable[[], AbstractContextManager[object]]
Work = Callable[[int], int]
"""Does its share of one round (its number is given) and returns how many things it did."""


@dataclass(frozen=True)
class Bench:
    """What a measurement is given: its name, the limit in words, the size, and who acts.

    `small_past` is a template with a past of fewer people, where size itself is measured.
    """

    name: str
    limit: str
    people: int
    small_past: str = ""

    @cached_property
    def desk(self) -> User:
        """Who loads, invites and logs."""
        return User.objects.get(username="ansel")

    @cached_property
    def second(self) -> User:
        """Another person, where two are needed."""
        return User.objects.get(username="sefrin")

    @cached_property
    def bench_hand(self) -> User:
        """Who works in the laboratory."""
        return User.objects.get(username="teshka")

    def race(
        self,
        ours: Work,
        bare: Work,
        *,
        untriggered: Work | None = None,
        around: Around = nullcontext,
        rounds: int = ROUNDS,
    ) -> Measured:
        """Run all so many times, one after the other and changing who goes first; medians, and the median ratio.

        Each round happens inside its own `around()`.
        """
        mine: list[tuple[int, float]] = []
        limit: list[tuple[int, float]] = []
        loose: list[tuple[int, float]] = []
        for n in range(rounds):
            pairs = [(ours, mine), (bare, limit), *([(untriggered, loose)] if untriggered else [])]
            with around():
                for work, times in pairs if n % 2 == 0 else reversed(pairs):
                    times.append(timed(work, n))
        return self.result(
            items=mine[0][0],
            seconds=median(s for _n, s in mine),
            limit_seconds=median(s for _n, s in limit),
            ratio=_ratio(mine, limit),
            untriggered=_ratio(mine, loose) if loose else None,
        )

    def result(self, *, items: int, seconds: float, **more: Any) -> Measured:
        """A figure under this bench's name."""
        return Measured(self.name, self.people, items, seconds, limit=self.limit, **more)


def _ratio(ours: Sequence[tuple[int, float]], others: Sequence[tuple[int, float]]) -> float | None:
    """The middle of the rounds' ratios of our rate to another's."""
    ratios = [(a / s) / (b / t) for (a, s), (b, t) in zip(ours, others, strict=True) if a and b]
    return median(ratios) if ratios else None


def timed(work: Work, n: int) -> tuple[int, float]:
    """How many things a piece of work did, and in how many seconds."""
    began = perf_counter()
    return work(n), perf_counter() - began


def with_times(found: Measured, seconds: Sequence[float]) -> Measured:
    """The same figure with the middle and the 95th percentile of single times."""
    return replace(found, p50_ms=1000 * median(seconds), p95_ms=1000 * quantiles(seconds, n=20)[-1])


def with_peak(found: Measured) -> Measured:
    """The same figure with the most memory this process has held so far."""
    return replace(found, peak_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


@contextmanager
def bare_hands(*tables: str, by: User) -> Iterator[psycopg.Connection]:
    """An owner's connection to the database in use, with the triggers of these tables off while it is open."""
    with owner_connection(str(connection.settings_dict["NAME"])) as owner:
        owner.execute(
            "SELECT set_config('roundbook.actor', %s, false), set_config('roundbook.now', %s, false)",
            [str(by.pk), clock.now().isoformat()],
        )
        for table in tables:
            owner.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER".encode())
        try:
            yield owner
        finally:
            for table in tables:
                owner.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER".encode())


def bare_load(owner: psycopg.Connection[Any], content: bytes) -> None:
    """A readings file by COPY into a table of its own, ``bare_lines``, which goes with the transaction."""
    owner.execute(
        b"CREATE TEMP TABLE bare_lines (number int, serial text, value text, unit text, flag text, read_at text)"
        b" ON COMMIT DROP"
    )
    with owner.cursor() as cursor, cursor.copy(b"COPY bare_lines FROM STDIN (FORMAT csv, HEADER)") as copy:
        copy.write(content)
    owner.execute(b"ANALYZE bare_lines")


@contextmanager
def days_ago(days: int) -> Iterator[None]:
    """The clock so many days back, for laying down a past."""
    with clock.at(clock.now() - timedelta(days=days)):
        yield
