"""Random days at the bench: no path ever authorises a reading whose bracket is broken."""

import contextlib
import random
from collections.abc import Callable, Sequence
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import transaction

from results.models import ControlReading, InboxLine, Reading, Result, Run, Sample
from results.services.authorise import (
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_not_needed,
    sample_retest,
)
from results.services.runs import run_close, run_control, run_open, run_resolve
from staff import clock
from staff.errors import RoundbookError
from tests import lab_bench as bench
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
CAMPAIGN = [pytest.mark.campaign, pytest.mark.timeout(1_800)]
SEEDS = [
    pytest.param(range(3), id="short"),
    *(pytest.param(range(n, n + 20), id=f"from {n}", marks=CAMPAIGN) for n in range(1_000, 1_400, 20)),
]
"""Few days a transaction: what is rolled back is still passed over by every later statement of it."""
STEPS = 30
SKEW = timedelta(minutes=15)


class Day:
    """One random day; every step is something the laboratory can do on its pages or from a file."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)  # noqa: S311 - a replayable day, no secret
        self.now = NOON - timedelta(hours=4)
        self.samples: list[Sample] = []
        self.resolved_for_release: set[int] = set()

    def values(self) -> Sequence[Decimal]:
        good = self.rng.random() < 0.8
        z = [self.rng.uniform(-1.5, 1.5), self.rng.uniform(-1.5, 1.5)]
        if not good:
            z[self.rng.randrange(2)] = self.rng.choice([-1, 1]) * self.rng.uniform(3.01, 6)
        both = [Decimal(f"{90 + z[0] * 5.5:.2f}"), Decimal(f"{480 + z[1] * 22.5:.2f}")]
        return both if self.rng.random() < 0.9 else both[:1]

    def open_run(self) -> Run | None:
        return Run.objects.filter(status="open").first()

    def step(self) -> None:
        self.now += timedelta(minutes=self.rng.randint(1, 40))
        anything = [self.begin, self.measure, self.between, self.end, self.settle, self.bulk, self.one]
        usual = (
            [self.measure, self.between, self.end] if self.open_run() else [self.begin, self.bulk, self.one]
        )
        with clock.at(self.now), contextlib.suppress(RoundbookError), transaction.atomic():
            self.rng.choice([*anything, *usual, *usual])()

    def begin(self) -> None:
        run_open(
            by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(self.values())
        )  # fmt: skip

    def measure(self) -> None:
        run = self.open_run()
        if run is None:
            return
        first = 1 + InboxLine.objects.filter(file_id__in=run.files.values("pk")).count()
        rows: list[tuple[object, ...]] = []
        for _ in range(self.rng.randint(2, 5)):
            waiting = [s for s in Sample.objects.filter(state__in=["ready", "repeat"]) if s in self.samples]
            sample = self.rng.choice(waiting) if waiting and self.rng.random() < 0.6 else bench.a_sample()
            self.samples.append(sample)
            ago = timedelta(minutes=self.rng.randint(-10, 30))
            at = "" if self.rng.random() < 0.3 else (self.now - ago).isoformat()
            flag = "CLOT" if self.rng.random() < 0.1 else ""
            value = self.rng.choice(["<20", "5", "99.9", "100", "400", ">1000"])
            rows.append((sample.serial, value, None, flag, at, first + len(rows)))
        bench.load(run, rows)

    def between(self) -> None:
        run = self.open_run()
        if run is not None:
            run_control(by=bench.technician(), run=run, readings=bench.controls(self.values()))

    def end(self) -> None:
        run = self.open_run()
        if run is not None:
            run_close(by=bench.technician(), run=run, readings=bench.controls(self.values()))

    def settle(self) -> None:
        run = Run.objects.filter(status="held", resolution="").order_by("?").first()
        if run is not None:
            retest = self.rng.random() < 0.7
            run_resolve(
                by=bench.technician(), run=run, resolution="Found and mended.", second=bench.lead(), retest=retest
            )  # fmt: skip
            if not retest:
                self.resolved_for_release.add(run.pk)

    def bulk(self) -> None:
        results_release_below(by=bench.lead())

    def one(self) -> None:
        """Try to get any sample out, whatever its state, by any door."""
        if self.samples:
            self.rng.choice(self.doors(self.rng.choice(self.samples)))()

    def evening(self) -> None:
        """Every door for every sample, as somebody determined to get results out would."""
        for sample in self.samples:
            for door in self.rng.sample(self.doors(sample)[:3], 3):
                with clock.at(self.now), contextlib.suppress(RoundbookError), transaction.atomic():
                    door()

    @staticmethod
    def doors(of: Sample) -> list[Callable[[], object]]:
        sample = Sample.objects.get(pk=of.pk)
        return [
            lambda: result_release_at_or_above(by=bench.lead(), sample=sample, reason="Looked at."),
            lambda: result_release_below(by=bench.lead(), sample=sample, reason="Looked at."),
            lambda: results_release_below(by=bench.lead(), sample_ids=[sample.pk]),
            lambda: sample_retest(by=bench.lead(), sample=sample, reason="Again."),
            lambda: sample_not_needed(by=bench.lead(), sample=sample, reason="Another stands."),
        ]


def groups_of(run: Run) -> list[tuple[object, set[int], bool]]:
    """The run's controls as plain facts: when, which levels, whether all were within limits."""
    found: dict[tuple[str, object], list[ControlReading]] = {}
    for reading in ControlReading.objects.filter(run=run).select_related("control").order_by("seq"):
        found.setdefault((reading.position, reading.read_at), []).append(reading)
    return [
        (at, {r.control.level for r in own}, all(r.in_control for r in own))
        for (_position, at), own in found.items()
    ]


def bracket_holds(reading: Reading) -> bool:
    """By the book, from the rows alone: complete good controls certainly before and certainly after, nothing out between."""
    run, loaded = reading.run, reading.file.loaded_at if reading.file else reading.read_at
    untimed = reading.read_at == loaded
    first = run.opened_at if untimed else max(run.opened_at, reading.read_at - SKEW)
    last = max(first, min(loaded, reading.read_at + SKEW, run.closed_at or loaded))
    state = ""
    for at, levels, good in groups_of(run):
        if levels == {1, 2} and at <= first:
            state = "good" if good else "bad"
            continue
        if not good:
            return False
        if state == "good" and levels == {1, 2} and at >= last:
            return True
    return False


@pytest.mark.parametrize("seeds", SEEDS)
def test_no_path_authorises_a_reading_whose_bracket_is_broken(seeds: range) -> None:
    released = 0
    for seed in seeds:
        mark = transaction.savepoint()
        day = Day(seed)
        for _ in range(STEPS):
            day.step()
        day.evening()
        for result in Result.objects.select_related("reading__run", "reading__file"):
            run = result.reading.run
            settled = (
                run.pk in day.resolved_for_release
                and run.status == "resolved"
                and "agreed by" in run.resolution
            )
            assert bracket_holds(result.reading) or settled, f"seed {seed}: {result} of {run}"
            released += 1
        held = Sample.objects.filter(state="reported", results__isnull=True)
        assert not held.exists(), f"seed {seed}"
        transaction.savepoint_rollback(mark)
    assert released > len(seeds)
