"""Control charts and the monthly summary: CV and bias beside an independent library, lot lines, rule hits, comments."""

import statistics
from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.control_statistics import control_figures, days_of_cover, own_target
from results.models import ControlLot, ControlReading
from results.services.control_charts import (
    control_comment,
    control_comment_streak,
    lot_charts,
    month_sum,
    open_hits,
    open_streaks,
    readings_of,
)
from results.services.runs import run_close, run_open
from results.views.charts import chart_of
from staff import clock
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench

SignIn = Callable[[str], Client]
values = st.lists(st.decimals("1", "900", places=1), min_size=2, max_size=40)


@hypothesis_settings(deadline=None)
@given(values, st.decimals("1", "900", places=1))
def test_figures_against_the_standard_library(read: list[Decimal], target: Decimal) -> None:
    # Oracle: Python's own statistics module for mean and SD (n − 1).
    got = control_figures(read, target)
    mean, sd = statistics.mean(read), statistics.stdev(read)
    assert got.mean == pytest.approx(float(mean))
    assert got.sd == pytest.approx(float(sd), abs=1e-9)
    assert got.cv == pytest.approx(float(100 * sd / mean), abs=1e-9)
    assert got.bias == pytest.approx(float(100 * (mean - target) / target), abs=1e-9)


def test_figures_by_hand() -> None:
    # By hand: 88, 92, 90, 94 → mean 91, SD √(20/3) = 2.582, CV 2.837 %, bias on 90: 1.111 %.
    got = control_figures([Decimal(v) for v in (88, 92, 90, 94)], Decimal(90))
    assert (got.n, got.mean) == (4, 91)
    assert [round(x or 0, 3) for x in (got.sd, got.cv, got.bias)] == [2.582, 2.837, 1.111]
    assert control_figures([], Decimal(90)).mean is None
    assert control_figures([Decimal(9)], Decimal(10)).cv is None
    with pytest.raises(ValueError, match="target"):
        control_figures([], Decimal(0))


def test_a_laboratorys_own_target_needs_twenty_readings_over_ten_days() -> None:
    rows = [(date(2026, 6, 1) + timedelta(days=n // 2), Decimal(90 + n % 3)) for n in range(20)]
    assert own_target(rows) is not None
    assert own_target(rows[:19]) is None
    assert own_target([(date(2026, 6, 1), value) for _day, value in rows]) is None


@pytest.mark.parametrize(
    ("left", "used", "expected"), [(100, 28, 100), (100, 0, None), (0, 5, 0), (9, 28 * 10, 0)]
)
def test_days_of_cover(left: int, used: int, expected: int | None) -> None:
    assert days_of_cover(left, used, 28) == expected


def days_of_controls(zs: list[float], *, new_lot_after: int = 99) -> None:
    """One run a day ending today, level 1 at these distances from target, level 2 on target."""
    for n, z in enumerate(zs):
        day = clock.today() - timedelta(days=len(zs) - 1 - n)
        with clock.at(clock.moment(day, 8)):
            if n == new_lot_after:
                old = ControlLot.objects.get(analyser__code="Q1", level=1)
                ControlLot.objects.create(
                    analyser=old.analyser, material=old.material, level=1, lot="CL1NEW", unit=old.unit, target=100,
                    sd=5, opened_on=day, expires_on=day + timedelta(days=300), entered_by=bench.technician(),
                    confirmed_by=bench.lead(),
                )  # fmt: skip
            lots = [
                ControlLot.objects.filter(analyser__code="Q1", level=level).order_by("-pk")[0]
                for level in (1, 2)
            ]
            read = [(lots[0], lots[0].target + Decimal(str(z)) * lots[0].sd), (lots[1], lots[1].target)]
            run = run_open(by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=read)
            if run.status == "open":
                run_close(by=bench.technician(), run=run, readings=[(lots[0], lots[0].target), read[1]])


def this_month() -> list[ControlReading]:
    return readings_of(
        bench.analyser(), 1, clock.today() - timedelta(days=60), clock.today() + timedelta(days=1)
    )


@pytest.mark.usefixtures("region")
def test_lots_are_kept_apart_and_refused_attempts_are_drawn_but_not_counted() -> None:
    days_of_controls([0.5, 3.5, -0.5, 1.0, 0.0], new_lot_after=3)
    readings = this_month()
    first, second = lot_charts(readings)
    assert [one.lot.lot for one in (first, second)] == ["CL101", "CL1NEW"]
    assert len(first.readings) == first.figures.n + 1 == 5
    assert (first.left_out, second.left_out) == (1, 0)
    drawing = chart_of(readings)
    assert [series["name"] for series in drawing["data"]["series"]] == [
        "lot CL101",
        "lot CL1NEW",
        "hit a rule",
    ]
    assert len(drawing["data"]["breaks"]) == 1
    assert any(row[4] == "1-3s" for row in drawing["rows"])
    found = month_sum(bench.analyser(), date(2026, 6, 1), date(2026, 7, 1))
    assert (len(found.refused), len(found.held)) == (1, 0)
    assert sorted(found.charts) == [1, 2]


@pytest.mark.usefixtures("region")
def test_a_drift_is_to_be_looked_into_until_somebody_has_said_something() -> None:
    # Source: 4-1s, Westgard et al., Clin Chem 1981;27:493-501: four beyond the same 1 SD.
    for n in range(4):
        with clock.at(clock.moment(clock.today() - timedelta(days=4 - n), 8)):
            shifted = [Decimal("90") + Decimal("5.5") * Decimal("1.3"), Decimal(480)]
            run = run_open(
                by=bench.technician(),
                analyser=bench.analyser(),
                unit="ng/mL",
                readings=bench.controls(shifted),
            )
            run_close(by=bench.technician(), run=run, readings=bench.controls(shifted))
    hits = open_hits(clock.today())
    assert hits
    assert {hit.rule for hit in hits} == {"4-1s"}
    with pytest.raises(RoundbookError):
        control_comment(by=bench.lead(), reading=hits[0], words=" ")
    (streak,) = [own for own in open_streaks(clock.today()) if own[0].control.level == 1]
    said = control_comment_streak(
        by=bench.lead(), reading=streak[0], words="New pack; verified on 20 samples."
    )
    assert said == len(streak)
    for hit in open_hits(clock.today()):
        control_comment(by=bench.lead(), reading=hit, words="As level 1.")
    assert open_hits(clock.today()) == []


def test_the_pages(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    assert "No control of this level" in client.get(reverse("results:charts")).content.decode()
    days_of_controls([0.5, 3.5, 0.0])
    page = client.get(reverse("results:charts") + "?analyser=Q1&level=1&days=90").content.decode()
    assert "1-3s" in page
    reading = ControlReading.objects.get(in_control=False, control__level=1)
    client.post(reverse("results:control-comment", args=[reading.pk]), {"words": "Old vial, new one opened."})
    page = client.get(reverse("results:charts") + "?analyser=Q1&level=1").content.decode()
    assert "Old vial, new one opened." in page
    month = client.get(reverse("results:month") + "?month=2026-06").content.decode()
    assert "Openings refused" in month
    assert "Left out: readings that were not in control" in month
    assert client.get(reverse("results:month") + "?month=nonsense").status_code == 200
