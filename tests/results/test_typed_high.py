"""A typed reading at or above the cutoff that waits more than a working day is on the coordinator's page (ruling R14)."""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from results.models import Sample
from results.services.authorise import result_release_at_or_above
from results.services.runs import run_close, run_open
from results.services.typed import reading_type, reading_type_again
from results.services.typed_high import typed_high_waiting
from results.waits import queue
from staff import clock
from staff.models import AccessEntry, NonWorkingDay
from tests import cast
from tests import lab_bench as bench
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
DAY = timedelta(days=1)
HIGH, LOW = "150", "50"  # ng/mL; 100 is the cutoff of 20 µg/g in this device


def first(value: str, flag: str = "") -> Sample:
    sample = bench.a_sample()
    reading_type(
        by=bench.technician(), run=bench.Run.objects.get(), serial=sample.serial, value=value, flag=flag
    )
    return sample


def waiting(days: float) -> list[str]:
    return [one.state for one in typed_high_waiting(NOON + days * DAY)]


def test_it_appears_after_a_working_day_and_only_when_high() -> None:
    bench.an_open_run()
    first(LOW)
    assert waiting(1.1) == []
    first(HIGH)
    assert waiting(1) == []  # the same hour of the next working day is not yet more than a working day
    assert waiting(1.1) == ["first"]


@pytest.mark.parametrize("value", ["100", ">1000", "POS"])
def test_the_cutoff_itself_a_value_over_the_range_and_a_yes_count_as_high(value: str) -> None:
    run_open(
        by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(),
        device_limit=Decimal(100),
    )  # fmt: skip
    first(value)
    assert waiting(1.1) == ["first"]


def test_weekends_and_closed_days_of_the_site_are_no_working_days() -> None:
    with clock.at(NOON + 2 * DAY):  # a Friday
        bench.an_open_run()
        first(HIGH)
    assert waiting(4.9) == []
    assert waiting(5.1) == ["first"]
    NonWorkingDay.objects.create(site=bench.analyser().site, day=date(2026, 6, 22), name="closed")
    assert waiting(5.1) == []
    assert waiting(6.1) == ["first"]


def test_it_stays_until_it_is_released() -> None:
    run = bench.an_open_run()
    sample = first(HIGH)
    entry = sample.typed.get()
    reading_type_again(by=bench.lead(), entry=entry, value="15")
    assert waiting(1.1) == ["differs"]
    entry = reading_type(by=bench.technician(), run=run, serial=sample.serial, value=HIGH)
    reading_type_again(by=bench.lead(), entry=entry, value=HIGH)
    assert waiting(1.1) == ["agreed"]
    run_close(by=cast.member("pell"), run=run, readings=bench.controls())
    assert waiting(1.1) == ["agreed"]
    result_release_at_or_above(by=cast.member("pell"), sample=sample)
    assert waiting(9) == []


def test_the_coordinator_sees_whose_it_is_and_that_look_is_journalled(
    signed_in: Callable[[str], Client],
) -> None:
    bench.an_open_run()
    sample = first(HIGH)
    with clock.at(NOON + 1.1 * DAY):
        page = signed_in(cast.COORDINATOR).get(reverse("results:queue"))
        told = [str(one.words) for one in queue()]
    assert page.status_code == 200
    text = page.content.decode()
    assert "Typed readings at or above the cutoff that wait" in text
    assert sample.person.family_name in text
    assert HIGH not in text.split("typed-high", 1)[1].split("</section>", 1)[0]
    assert "1 typed reading at or above the cutoff waits" in told
    assert AccessEntry.objects.filter(person_id=sample.person.pk).exists()


def test_nothing_is_said_where_nothing_waits(signed_in: Callable[[str], Client]) -> None:
    assert "typed-high" not in signed_in(cast.COORDINATOR).get(reverse("results:queue")).content.decode()
