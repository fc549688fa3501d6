"""The watch over people's readings: unit slips found as fast as published here, shares, medians, carry-over, sequence slips."""

import math
import random
import statistics
from collections.abc import Sequence
from datetime import timedelta

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy import stats

from results.models import ResultsPolicy, Run, Sample, WatchAlarm
from results.patient_watch import (
    EDGES,
    Measured,
    Under,
    ZeroInflated,
    carry_over_suspects,
    lower_than,
    mean_log_by,
    median_detectable,
    moving_share,
    share_watch,
    slip_of,
    unit_watch,
)
from results.services.authorise import results_release_below
from results.services.runs import run_close, run_resolve
from results.services.runs_controls import run_sentence
from results.services.watch import carry_over_in, readings_lately, unit_alarms
from staff import clock
from tests import lab_bench as bench
from tests.conftest import NOON

MODEL = ZeroInflated()
patient = hypothesis_settings(deadline=None)


def drawn(rng: random.Random, n: int, factor: float = 1.0) -> list[float]:
    """Readings of people as the demo region's model has them (job 12.5), censored at 4 and written down `factor` times."""
    values = []
    for _ in range(n):
        true = math.exp(rng.gauss(MODEL.mu, MODEL.sigma)) if rng.random() < MODEL.detectable else 0.0
        values.append(true * factor)
    return values


def test_the_model_gives_the_published_bands() -> None:
    # Source: job 12.5, expected bands of usable results in % (0 and under 4 together 86.1).
    below_4 = MODEL.share_below(4)
    assert 100 * below_4 == pytest.approx(86.1, abs=1.0)
    shares = dict(
        zip(
            (10, 20, 40, 80, 200),
            (100 * (1 - MODEL.share_below(x)) for x in (10, 20, 40, 80, 200)),
            strict=True,
        )
    )
    assert shares[20] == pytest.approx(6.0, abs=0.4)
    assert shares[200] == pytest.approx(1.1, abs=0.3)
    assert sum(MODEL.bands()) == pytest.approx(1)
    # Source: job 7.7: a slip of × 5 shows 14 % at or above 20, one of ÷ 5 about 2 %.
    assert 100 * (1 - MODEL.share_below(20 / 5)) == pytest.approx(14, abs=1)
    assert 100 * (1 - MODEL.share_below(20 * 5)) == pytest.approx(2, abs=0.5)


@pytest.mark.parametrize("factor", [0.2, 1.0, 5.0])
def test_bands_against_an_independent_library(factor: float) -> None:
    # Oracle: scipy's log-normal distribution.
    law = stats.lognorm(s=MODEL.sigma, scale=math.exp(MODEL.mu))
    cut = [1 - MODEL.detectable + MODEL.detectable * law.cdf(edge / factor) for edge in EDGES]
    expected = [b - a for a, b in zip([0.0, *cut], [*cut, 1.0], strict=True)]
    assert MODEL.bands(factor) == pytest.approx(expected)


@pytest.mark.parametrize(("factor", "typical", "ninetieth"), [(5.0, 118, 244), (0.2, 167, 300)])
def test_h2_a_unit_slip_is_found_within_the_published_number_of_samples(
    factor: float, typical: int, ninetieth: int
) -> None:
    # Source: job 7.7, simulated there: × 5 after a median of 118 samples (P90 244), ÷ 5 after 167 (300).
    rng = random.Random(7)  # noqa: S311 - a replayable draw
    found = []
    for _ in range(120):
        told = unit_watch(drawn(rng, 900, factor), factor, MODEL)
        assert told.alarm_at is not None
        found.append(told.alarm_at + 1)
    found.sort()
    assert statistics.median(found) == pytest.approx(typical, rel=0.3)
    assert found[107] == pytest.approx(ninetieth, rel=0.3)


def test_an_alarm_stands_while_the_slip_goes_on_and_not_after_it() -> None:
    rng = random.Random(5)  # noqa: S311 - a replayable draw
    slipped = drawn(rng, 600, 5.0)
    during = unit_watch(slipped, 5.0, MODEL)
    after = unit_watch([*slipped[:300], *drawn(rng, 1500)], 5.0, MODEL)
    assert during.alarm
    assert during.stands
    assert after.alarm
    assert not after.stands
    assert not unit_watch([], 5.0, MODEL).stands


def test_readings_told_only_as_under_the_limit_are_judged_by_the_share_under_it() -> None:
    # Source: job 7.7: nine in ten of the section-12 population lie under a usual reporting limit of 4 µg/g.
    rng = random.Random(17)  # noqa: S311 - a replayable draw

    def told(values: list[float], limit: float) -> list[float | Under]:
        return [Under(limit) if value < limit else value for value in values]

    healthy = told(drawn(rng, 2000), 4.0)
    assert sum(isinstance(one, Under) for one in healthy) > 1600
    assert not unit_watch(healthy, 5.0, MODEL).stands
    assert not unit_watch(healthy, 0.2, MODEL).stands
    assert unit_watch(told(drawn(rng, 600, 5.0), 4.0), 5.0, MODEL).stands
    assert unit_watch(told(drawn(rng, 600, 0.2), 4.0), 0.2, MODEL).stands


def test_false_alarms_are_as_rare_as_published() -> None:
    # Source: job 7.7: 1–2 % false alarms in 600 samples.
    rng = random.Random(11)  # noqa: S311 - a replayable draw
    runs = [drawn(rng, 600) for _ in range(150)]
    alarms = sum(
        unit_watch(values, 5.0, MODEL).alarm or unit_watch(values, 0.2, MODEL).alarm for values in runs
    )
    assert alarms <= 0.04 * len(runs)


flags = st.lists(st.booleans(), max_size=120)


@patient
@given(flags)
def test_the_share_watch_by_its_definition(seen: list[bool]) -> None:
    told = share_watch(seen, 0.06, 0.12)
    total, expected = 0.0, []
    for flag in seen:
        total = max(0.0, total + (math.log(2) if flag else math.log(0.88 / 0.94)))
        expected.append(total)
    assert list(told.sums) == pytest.approx(expected)
    assert told.alarm == any(value >= math.log(1000) for value in expected)


def test_the_share_watch_wants_two_shares() -> None:
    for pair in ((0.0, 0.5), (0.5, 1.0), (0.1, 0.1)):
        with pytest.raises(ValueError, match="shares"):
            share_watch([True], *pair)


@patient
@given(flags, st.integers(1, 30))
def test_moving_share_against_an_independent_library(seen: list[bool], window: int) -> None:
    # Oracle: pandas' rolling mean.
    expected = pd.Series(seen, dtype=float).rolling(window).mean()
    got = moving_share(seen, window)
    assert [None if pd.isna(x) else pytest.approx(x) for x in expected] == got


readings = st.lists(st.one_of(st.none(), st.floats(4, 500)), max_size=80)


@patient
@given(readings, st.integers(1, 15))
def test_median_of_the_detectable_against_an_independent_library(
    seen: list[float | None], window: int
) -> None:
    # Oracle: pandas' rolling median over the detectable readings alone.
    alone = pd.Series([x for x in seen if x is not None], dtype=float).rolling(window).median().tolist()
    expected = iter(alone)
    wanted = [None if x is None else next(expected) for x in seen]
    got = median_detectable(seen, window)
    assert [None if x is None or pd.isna(x) else pytest.approx(x) for x in wanted] == got


def test_the_plain_median_sees_nothing_and_the_watch_does() -> None:
    # Source: job 7.7: 86 % under 4 µg/g, so the plain median stands at zero even when everything reads double.
    rng = random.Random(3)  # noqa: S311 - a replayable draw
    fine, double = drawn(rng, 600), drawn(rng, 600, 2.0)
    assert statistics.median(x if x >= 4 else 0 for x in double) == 0
    assert not share_watch([x >= 20 for x in fine], 0.06, 0.12).alarm
    assert share_watch([x >= 20 for x in double * 2], 0.06, 0.10).alarm


def rack(values: Sequence[float]) -> list[Measured]:
    return [Measured(n, value, over=value > 200) for n, value in enumerate(values, start=1)]


def test_small_readings_right_after_a_very_high_one_are_suspects() -> None:
    assert [m.number for m in carry_over_suspects(rack([0, 500, 12, 0, 12, 500, 0, 8, 500, 90]), 4)] == [3]
    assert carry_over_suspects(rack([500, 3, 500, 300]), 4) == []
    assert carry_over_suspects([Measured(1, 500, True), Measured(9, 12)], 4) == []


@patient
@given(st.integers(-3, 3))
def test_h4_a_slip_is_told_by_the_check_samples(shift: int) -> None:
    # Source: job 2.8-11: a known control at a secret position.
    rng = random.Random(shift)  # noqa: S311 - a replayable draw
    values = dict.fromkeys(range(-3, 60), 0.0)
    for number, value in ((7, 55.0), (23, 61.0), (40, 58.0)):
        values[number + shift] = value
    expected = {7: (50.0, 60.0), 23: (56.0, 66.0), 40: (53.0, 63.0)}
    readings_ = [Measured(n, v) for n, v in values.items()]
    rng.shuffle(readings_)
    assert slip_of(expected, readings_) == shift


def test_no_shift_explains_a_check_sample_that_is_nowhere() -> None:
    assert slip_of({3: (50.0, 60.0)}, rack([0, 0, 0, 0, 0])) is None
    with pytest.raises(ValueError, match="check sample"):
        slip_of({}, rack([1]))


def test_h10_a_month_of_heat_shows_in_the_mean_log_and_a_cool_one_does_not() -> None:
    # Source: job hazard H10 (simulated July factor) and 2.5 of the standards: f-Hb falls in the heat.
    rng = random.Random(5)  # noqa: S311 - a replayable draw
    months = {6: 1.0, 7: 0.6, 8: 1.0}
    rows = [(month, x * factor) for month, factor in months.items() for x in drawn(rng, 6_000) if x > 0]
    found = mean_log_by(rows)
    assert lower_than(found[7], found[6])
    assert not lower_than(found[8], found[6])
    assert not lower_than(found[6], found[7])
    # Oracle: scipy's standard error of the mean.
    july = [math.log(value) for month, value in rows if month == 7]
    assert found[7].error == pytest.approx(stats.sem(july))
    assert mean_log_by([(1, 5.0)]) == {}


def a_run_reading(factor: float, count: int = 24) -> Run:
    """A run of people whose median is a tenth of the cutoff, written down `factor` times too large, in ng/mL."""
    run = bench.an_open_run()
    rows = []
    for n in range(count):
        value = 5 * (3.0 if n % 4 else 60.0) * factor
        rows.append((bench.a_sample().serial, f"{value:.1f}"))
    bench.load(run, rows)
    return run


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize(("factor", "kind"), [(5.0, "unit_too_large")])
def test_h2_a_run_in_the_wrong_unit_is_held_when_the_protocol_says_so(factor: float, kind: str) -> None:
    # Source: job hazard H2: readings × 5 must hold the run although its controls are in.
    run = a_run_reading(factor)
    ResultsPolicy.objects.update(unit_watch=True)
    with clock.at(NOON + timedelta(minutes=30)):
        run = run_close(by=bench.technician(), run=run, readings=bench.controls())
    assert run.status == "held"
    assert WatchAlarm.objects.get().kind == kind
    assert "five times too large" in run_sentence(run)
    assert set(Sample.objects.values_list("state", flat=True)) == {"held"}
    assert results_release_below(by=bench.lead()) == 0
    run_resolve(
        by=bench.technician(),
        run=run,
        resolution="Display was right: a clinic's rack.",
        second=bench.lead(),
        retest=False,
    )
    assert set(Sample.objects.values_list("state", flat=True)) == {"ready_to_authorise"}
    assert results_release_below(by=bench.lead()) == 0, "after two people said why, one by one"


@pytest.mark.usefixtures("region")
def test_the_watch_says_but_does_not_hold_while_it_is_off() -> None:
    run = a_run_reading(5.0)
    assert run_close(by=bench.technician(), run=run, readings=bench.controls()).status == "in_control"
    (told,) = unit_alarms(readings_lately(run.analyser_id))
    assert told.stands
    assert told.kind == WatchAlarm.Kind.UNIT_TOO_LARGE
    assert not WatchAlarm.objects.exists()


@pytest.mark.usefixtures("region")
def test_carry_over_in_a_real_run() -> None:
    samples = [bench.a_sample() for _ in range(3)]
    run = bench.measured(list(zip(samples, (">1000", "60", "<20"), strict=True)))
    assert [one.serial for one in carry_over_in(run)] == [samples[1].serial]
