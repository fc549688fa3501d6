"""Measures the pages of figures over years of rounds: against straight aggregation, a columnar engine, and their upkeep."""

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

from django.db import connection

from oversight.filters import Asked
from oversight.measuring import straight
from oversight.measuring.bench import Bench, Measured, bare_hands, with_times
from oversight.measuring.rounds import rounds_out, serials_of
from oversight.pages.directory import PAGES
from oversight.pages.examiners import examiners
from oversight.pages.flow import compare
from oversight.periods import default_period
from oversight.services.cells import sweep, values
from oversight.services.figures import Counted, figures
from oversight.services.rollup import fold, fold_all, waiting
from oversight.walls import MANY, ONE
from screening.months import add_months
from screening.services.intake import bench_scan, delivery_record, session_start
from staff import clock
from staff.models import Site

ROUNDS = 3
SLOWEST = 6
CUTOFFS = range(1, 201)
BUDGET_MS = 200
QUESTIONS = (
    "uptake_90",
    "uptake_90_adjusted",
    "uptake_180",
    "uptake_180_adjusted",
    "positivity_cohort",
    "positivity",
    "examined_90",
)


def _twelve_months(by: str = "month") -> Asked:
    since, until = default_period(clock.today())
    return Asked(since, until, by)


def years_asked(by: str = "month") -> Asked:
    """Every day of the years laid down."""
    return Asked(clock.today() - timedelta(days=1980), clock.today(), by)


def _timed(work: Callable[[], object]) -> float:
    began = perf_counter()
    work()
    return perf_counter() - began


def dashboard(bench: Bench) -> Measured:
    """Uptake and positivity cut by month over all years, from cells and straight from the ledger's tables."""
    whole = years_asked()

    def ours() -> object:
        return figures(whole, QUESTIONS, fold=False)

    def bare() -> object:
        return (
            straight.uptake(since=whole.since, until=whole.until),
            straight.positivity(since=whole.since, until=whole.until),
        )

    ours(), bare()
    mine, limit = [], []
    for _n in range(ROUNDS):
        mine.append(_timed(ours))
        limit.append(_timed(bare))
    found = bench.result(
        items=bench.people,
        seconds=median(mine),
        limit_seconds=median(limit),
        ratio=median(limit) / median(mine),
    )
    return with_times(found, mine)


@contextmanager
def _queries() -> Iterator[list[float]]:
    """Seconds of every statement run inside."""
    times: list[float] = []

    def note(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        began = perf_counter()
        try:
            return execute(sql, params, many, context)
        finally:
            times.append(perf_counter() - began)

    with connection.execute_wrapper(note):
        yield times


def _pages() -> Mapping[str, Callable[[Asked], object]]:
    """Every page of figures: those of the directory, examiners, and two cohorts, the other one a year earlier."""

    def two_cohorts(asked: Asked) -> object:
        earlier = replace(asked, since=add_months(asked.since, -12), until=add_months(asked.until, -12))
        return compare(asked, earlier)

    named = {name: build for name, (_title, build) in PAGES.items()}
    return {**named, "examiners": examiners, "two cohorts": two_cohorts}


def dashboard_pages(bench: Bench) -> Measured:
    """The statements of the slowest page over twelve months, and of every page over all years; must stay under 200 ms."""
    spent: list[tuple[float, str]] = []
    for asked in (_twelve_months(), _twelve_months("area"), years_asked(), years_asked("age")):
        for name, build in _pages().items():
            build(asked)
            with _queries() as times:
                build(asked)
            spent.append((sum(times), f"{name} by {asked.by} over {(asked.until - asked.since).days} days"))
    slowest = max(spent)[0]
    found = bench.result(
        items=len(spent), seconds=slowest, limit_seconds=BUDGET_MS / 1000, ratio=BUDGET_MS / 1000 / slowest
    )
    told = ", ".join(f"{words} {1000 * s:.0f} ms" for s, words in sorted(spent, reverse=True)[:SLOWEST])
    return with_times(replace(found, limit=f"{bench.limit} (slowest: {told})"), [s for s, _words in spent])


COUNT_EACH = "SELECT " + ", ".join(
    f"count(*) FILTER (WHERE e.reported_ug_g >= {cutoff})" for cutoff in CUTOFFS
) + " FROM results_result e WHERE e.is_deciding"  # fmt: skip


def dashboard_sweep(bench: Bench) -> Measured:
    """Two hundred cutoffs from the histogram, and counting each over every result."""
    whole = years_asked()
    counted: list[Sequence[int]] = []

    def ours() -> None:
        counted.append([n for _cutoff, n, *_rest in sweep(values(whole), list(CUTOFFS))])

    def bare() -> None:
        with connection.cursor() as cursor:
            cursor.execute(COUNT_EACH)
            counted.append(list(cursor.fetchone()))

    ours()
    bare()
    if list(counted[0]) != list(counted[1]):
        raise AssertionError("The sweep and the counts differ.")
    mine, limit = [], []
    for _n in range(ROUNDS):
        mine.append(_timed(ours))
        limit.append(_timed(bare))
    return bench.result(
        items=len(CUTOFFS),
        seconds=median(mine),
        limit_seconds=median(limit),
        ratio=median(limit) / median(mine),
    )


COLUMNAR = """
SELECT date_trunc('month', invited_on) AS month, count(*),
    sum((arrived_on - start_on <= 90 AND usable_on - start_on <= 120)::int),
    sum((arrived_on - start_on <= 180 AND usable_on - start_on <= 210)::int),
    sum((lost AND NOT coalesce(arrived_on - start_on <= 90 AND usable_on - start_on <= 120, false))::int),
    sum((high AND arrived_on - start_on <= 90 AND usable_on - start_on <= 120)::int)
FROM fact WHERE counted GROUP BY 1
"""
COLUMNAR_RELEASED = """
SELECT date_trunc('month', released_on) AS month, count(*), sum(high::int),
    sum((high AND exam_on - released_on <= 90)::int) FROM fact WHERE released_on IS NOT NULL GROUP BY 1
"""
EXPORTED = "counted, invited_on, start_on, arrived_on, usable_on, released_on, exam_on, lost, high"


def dashboard_columnar(bench: Bench) -> Measured:
    """The same questions by month, from cells and from the exported facts held in memory by DuckDB."""
    import duckdb

    whole = years_asked()
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "facts.csv"
        with (
            connection.cursor() as cursor,
            cursor.copy(
                f"COPY (SELECT {EXPORTED} FROM oversight_fact) TO STDOUT (FORMAT csv, HEADER)"
            ) as copy,
            path.open("wb") as file,
        ):
            for part in copy:
                file.write(part)
        engine = duckdb.connect(":memory:")
        engine.execute(f"CREATE TABLE fact AS SELECT * FROM read_csv('{path}', nullstr='')")

    def ours() -> Counted:
        return figures(whole, QUESTIONS, fold=False)

    def bare() -> Sequence[Sequence[Any]]:
        engine.execute(COLUMNAR_RELEASED).fetchall()
        return list(engine.execute(COLUMNAR).fetchall())

    first = ours()
    if sum(row[1] for row in bare()) != first.total.figures["uptake_90"].denominator:
        raise AssertionError("The columnar engine counts others than the cells.")
    mine, limit = [], []
    for _n in range(2 * ROUNDS):
        mine.append(_timed(ours))
        limit.append(_timed(bare))
    return bench.result(
        items=bench.people,
        seconds=median(mine),
        limit_seconds=median(limit),
        ratio=median(limit) / median(mine),
    )


SCANS, WARM, PARTS = 60, 20, 10


def dashboard_upkeep(bench: Bench) -> Measured:
    """One scanner's scans with the marks and without them, in turns; ratio 1 is no cost at all."""
    serials = iter(serials_of(rounds_out(PARTS * SCANS + WARM, by=bench.desk)))
    site = Site.objects.filter(receives_kits=True)[0]
    delivery = delivery_record(by=bench.desk, site=site, arrived_on=clock.today())
    session = session_start(by=bench.desk, delivery=delivery)
    day, number = str((clock.today() - timedelta(days=2)).day), iter(range(1, 1_000_000))

    def scan() -> float:
        raw, sequence = next(serials), next(number)
        return _timed(
            lambda: bench_scan(
                by=bench.desk, session=session, sequence=sequence, raw=raw, day=day, window="w"
            )
        )

    for _n in range(WARM):
        scan()
    marked: list[float] = []
    bare: list[float] = []
    with bare_hands(by=bench.desk) as owner:
        for n in range(PARTS):
            with_marks = n % 2 == 0
            for table, trigger in _triggers():
                verb = "ENABLE" if with_marks else "DISABLE"
                owner.execute(f"ALTER TABLE {table} {verb} TRIGGER {trigger}".encode())
            scan_times = [scan() for _ in range(SCANS)]
            (marked if with_marks else bare).extend(scan_times[2:])
        for table, trigger in _triggers():
            owner.execute(f"ALTER TABLE {table} ENABLE TRIGGER {trigger}".encode())
    found = bench.result(
        items=len(marked), seconds=sum(marked), limit_seconds=sum(bare), ratio=median(bare) / median(marked)
    )
    return with_times(found, marked)


def _triggers() -> list[tuple[str, str]]:
    found = {(table, "mark_many") for table, _kind, _what in MANY}
    return sorted(found | {(row[0], f"mark_{row[1].split()[0].lower()}") for row in ONE})


def dashboard_freshness(bench: Bench) -> Measured:
    """Folding what an hour of 1,500 returns leaves behind; its time is the lag a page can have at most."""
    marks = 1500
    rounds = rounds_out(marks, by=bench.desk)
    fold_all()
    with bare_hands(by=bench.desk) as owner:
        owner.execute(
            b"INSERT INTO oversight_mark SELECT 'R', unnest(%s::bigint[]), 'kit_back'", [list(rounds)[:marks]]
        )
        owner.execute(
            "UPDATE oversight_fact SET place = 'kit_due' WHERE round_id = ANY(%s)", [list(rounds)[:marks]]
        )
    before = waiting()
    seconds = _timed(lambda: fold(limit=100_000))
    return bench.result(items=before, seconds=seconds, limit_seconds=60.0, ratio=60.0 / seconds)
