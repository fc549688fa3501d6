"""Measures whether a scan's cost follows the work and not the registry: the same scans in a small registry and in a large one."""

from collections.abc import Iterator
from datetime import timedelta
from statistics import median
from time import perf_counter

from django.db import connection

from oversight.measuring.bench import ROUNDS, Bench, Measured, days_ago, with_times
from oversight.measuring.database import connected_to, working_copy
from oversight.measuring.feed import feed_file
from oversight.measuring.region import AGE_DAYS
from oversight.measuring.register import people_load
from oversight.measuring.rounds import rounds_out, serials_of
from screening.models import Delivery
from screening.services.intake import bench_scan, delivery_record, session_start
from staff import clock
from staff.models import Site

SCANS, WARM = 100, 30
"""Scans of one turn that are timed, and those before them."""
NEEDED = ROUNDS * (SCANS + WARM)
Desk = tuple[str, Iterator[str], Delivery]
"""A database's name, the serials of its kits on their way, and the sack they come in."""


def scan_flat(bench: Bench) -> Measured:
    """One scanner in this process, in turns at both; the ratio is one where the registry's size costs nothing.

    Everybody in either has a past round, whose kit came back or did not.
    """
    many = _desk(bench, str(connection.settings_dict["NAME"]))
    with working_copy(bench.small_past) as name:
        few = _desk(bench, name)
        before: list[float] = []
        after: list[float] = []
        for n in range(ROUNDS):
            turns = [(few, before), (many, after)]
            for desk, times in turns if n % 2 == 0 else reversed(turns):
                times += _scanned(bench, desk)
    found = bench.result(
        items=len(after), seconds=sum(after), limit_seconds=sum(before), ratio=median(before) / median(after)
    )
    return with_times(found, after)


def _desk(bench: Bench, name: str) -> Desk:
    """Puts kits on their way to people that are new in the register of the database in use."""
    with days_ago(AGE_DAYS):
        people_load(feed_file(4 * NEEDED), by=bench.desk, second=bench.second)
    serials = serials_of(rounds_out(NEEDED, by=bench.desk))
    site = Site.objects.filter(receives_kits=True)[0]
    return name, iter(serials), delivery_record(by=bench.desk, site=site, arrived_on=clock.today())


def _scanned(bench: Bench, desk: Desk) -> list[float]:
    """Seconds of each scan of a turn, the first ones left out."""
    name, serials, delivery = desk
    day, times = str((clock.today() - timedelta(days=2)).day), []
    with connected_to(name):
        session = session_start(by=bench.desk, delivery=delivery)
        for sequence in range(1, SCANS + WARM + 1):
            serial = next(serials)
            began = perf_counter()
            answer = bench_scan(
                by=bench.desk, session=session, sequence=sequence, raw=serial, day=day, window="w"
            )
            times.append(perf_counter() - began)
            if answer.outcome not in ("accepted", "accepted_with_remark"):
                raise AssertionError(f"A kit was not accepted: {answer.outcome} {answer.code}")
    return times[WARM:]
