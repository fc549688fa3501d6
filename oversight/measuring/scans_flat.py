"""Measures whether a scan's cost follows the work and not the registry: the same scan before and after a long past."""

from collections.abc import Sequence
from datetime import timedelta
from statistics import median
from time import perf_counter

from oversight.measuring.bench import Bench, Measured, with_times
from oversight.measuring.past import past_laid
from oversight.measuring.rounds import rounds_out, serials_of
from screening.models import IntakeSession
from screening.services.intake import bench_scan, delivery_record, session_start
from staff import clock
from staff.models import Site

SCANS = 150
WARM = 20


def scan_flat(bench: Bench) -> Measured:
    """One scanner in this process; the ratio is one where a past round of everybody in the register costs nothing."""
    left = iter(serials_of(rounds_out(2 * (SCANS + WARM), by=bench.desk)))
    site, today = Site.objects.filter(receives_kits=True)[0], clock.today()
    delivery = delivery_record(by=bench.desk, site=site, arrived_on=today)
    before = _scanned(
        bench, [next(left) for _ in range(SCANS + WARM)], session_start(by=bench.desk, delivery=delivery)
    )
    past_laid(bench, delivery)
    after = _scanned(
        bench, [next(left) for _ in range(SCANS + WARM)], session_start(by=bench.desk, delivery=delivery)
    )
    found = bench.result(
        items=SCANS, seconds=sum(after), limit_seconds=sum(before), ratio=median(before) / median(after)
    )
    return with_times(found, after)


def _scanned(bench: Bench, serials: Sequence[str], session: IntakeSession) -> list[float]:
    """Seconds of each scan of these kits, the first ones left out."""
    day, times = str((clock.today() - timedelta(days=2)).day), []
    for sequence, serial in enumerate(serials, start=1):
        began = perf_counter()
        answer = bench_scan(
            by=bench.desk, session=session, sequence=sequence, raw=serial, day=day, window="w"
        )
        times.append(perf_counter() - began)
        if answer.outcome not in ("accepted", "accepted_with_remark"):
            raise AssertionError(f"A kit was not accepted: {answer.outcome} {answer.code}")
    return times[WARM:]
