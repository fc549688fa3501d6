"""The laboratory's work done by several at once, on a database of its own: nothing twice, nothing lost."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection

from oversight.rehearsal.setting import region_lay_down
from results.models import Reading, ReadingsFile, Referral, Result, Sample
from results.services.authorise import result_release_at_or_above, results_release_below
from results.services.readings import readings_load
from results.services.runs import run_close
from results.services.samples import samples_take_in
from staff import clock
from staff.errors import RoundbookError
from tests import factories
from tests import lab_bench as bench
from tests.conftest import FIRST_DAY, NOON


def at_once(work: Callable[[], object], times: int = 3) -> list[object]:
    """The answers of the same work started in several threads at the same moment; a refusal counts as its code."""

    def one(_nth: int) -> object:
        try:
            with clock.at(NOON):
                return work()
        except RoundbookError as error:
            return error.code
        finally:
            connection.close()

    with ThreadPoolExecutor(times) as pool:
        return list(pool.map(one, range(times)))


@pytest.mark.usefixtures("fresh_db")
def test_a_bench_shared_by_three() -> None:
    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
    for _ in range(6):
        factories.a_ready_return()
    assert sum(at_once(lambda: samples_take_in(by=bench.technician()))) == 6
    samples = list(Sample.objects.order_by("pk"))
    run = bench.an_open_run()
    values = ["5", "6", "7", "8", "900", "800"]
    content = bench.a_file([(s.serial, v) for s, v in zip(samples, values, strict=True)])
    files = at_once(lambda: readings_load(by=bench.technician(), run=run, name="day.csv", content=content).pk)
    assert len(set(files)) == ReadingsFile.objects.count() == 1
    assert Reading.objects.count() == 6
    closed = at_once(lambda: run_close(by=bench.technician(), run=run, readings=bench.controls()).status)
    assert sorted(map(str, closed)) == ["in_control", "run_not_so", "run_not_so"]
    assert sum(at_once(lambda: results_release_below(by=bench.lead()))) == 4
    told = at_once(lambda: result_release_at_or_above(by=bench.lead(), sample=samples[4]).side)
    assert sorted(map(str, told)) == ["at_or_above", "not_ready_to_release", "not_ready_to_release"]
    assert Result.objects.count() == 5
    assert Referral.objects.count() == 1
