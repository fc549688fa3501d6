"""The multirule over runs and materials, missing controls and pass/fail checks."""

import os
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

import pytest
from django.conf import settings
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.control_rules import (
    Action,
    CheckPoint,
    ControlPoint,
    ControlScheme,
    ControlVerdict,
    RangeRule,
    Rule,
    default_actions,
    judge_run,
    z_score,
)

if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
    settings.configure(USE_I18N=False)

patient = hypothesis_settings(deadline=None)
L1 = ControlScheme(frozenset({"L1"}))
BOTH = ControlScheme(frozenset({"L1", "L2"}))


def point(run: int, material: str, z: str | float | Fraction) -> ControlPoint:
    return ControlPoint(run, material, Fraction(str(z)))


def series(zs: Sequence[str | float | Fraction], material: str = "L1") -> list[ControlPoint]:
    return [point(run, material, z) for run, z in enumerate(zs)]


def last_of(points: list[ControlPoint], scheme: ControlScheme = L1) -> ControlVerdict:
    run = points[-1].run
    return judge_run([p for p in points if p.run != run], [p for p in points if p.run == run], scheme)


def rules(verdict: ControlVerdict) -> set[Rule]:
    return {hit.rule for hit in verdict.hits}


def test_a_quiet_run() -> None:
    verdict = judge_run([], [point(1, "L1", 0.3), point(1, "L2", -1.9)], BOTH)
    assert verdict == ControlVerdict(True, ())
    assert str(verdict.sentence) == "In control."
    assert not verdict.to_investigate


@pytest.mark.parametrize("z", ["2", "-2"])
def test_two_exactly_is_not_beyond_two(z: str) -> None:
    assert last_of(series([z, z])).hits == ()


@pytest.mark.parametrize(("z", "expected"), [
    ("2.001", {Rule.R_1_2S}), ("-2.001", {Rule.R_1_2S}), ("3", {Rule.R_1_2S}), ("-3", {Rule.R_1_2S}),
    ("3.001", {Rule.R_1_2S, Rule.R_1_3S}), ("-3.5", {Rule.R_1_2S, Rule.R_1_3S}),
])  # fmt: skip
def test_one_reading(z: str, expected: set[Rule]) -> None:
    verdict = last_of(series([z]))
    assert rules(verdict) == expected
    assert verdict.in_control == (Rule.R_1_3S not in expected)


def test_two_in_a_row_over_runs_but_not_over_a_gap() -> None:
    assert Rule.R_2_2S in rules(last_of(series([2.1, 2.4])))
    assert Rule.R_2_2S in rules(last_of(series([-2.1, -2.4])))
    assert Rule.R_2_2S not in rules(last_of(series([2.1, 0, 2.4])))
    assert Rule.R_2_2S not in rules(last_of(series([2.1, -2.4])))


def test_another_material_between_does_not_break_a_materials_own_row() -> None:
    points = [point(1, "L1", 2.1), point(1, "L2", 0), point(2, "L1", 2.2), point(2, "L2", 0)]
    verdict = last_of(points, BOTH)
    assert [hit.materials for hit in verdict.hits if hit.rule is Rule.R_2_2S] == [("L1",)]


def test_two_materials_over_two_runs_are_not_two_two() -> None:
    points = [point(1, "L1", 2.1), point(1, "L2", 0), point(2, "L1", 0), point(2, "L2", 2.2)]
    assert Rule.R_2_2S not in rules(last_of(points, BOTH))


@pytest.mark.parametrize(("z1", "z2", "both", "wide"), [
    ("2.3", "-2.2", True, True), ("-2.3", "2.2", True, True), ("3.5", "-0.6", False, True),
    ("2", "-2", False, False), ("2.5", "-1.5", False, False), ("2.6", "-1.5", False, True),
    ("2.1", "-2", False, True),
])  # fmt: skip
def test_the_two_definitions_of_the_range(z1: str, z2: str, both: bool, wide: bool) -> None:
    points = [point(1, "L1", z1), point(1, "L2", z2)]
    for definition, expected in ((RangeRule.BOTH_BEYOND_2, both), (RangeRule.RANGE_OVER_4, wide)):
        verdict = judge_run([], points, ControlScheme(frozenset({"L1"}), range_rule=definition))
        assert (Rule.R_R_4S in rules(verdict)) is expected


def test_four_and_ten_across_materials_only_where_the_scheme_says_so() -> None:
    points = [point(run, material, 1.2) for run in (1, 2) for material in ("L1", "L2")]
    assert Rule.R_4_1S in rules(last_of(points, BOTH))
    apart = ControlScheme(frozenset({"L1", "L2"}), across_materials=False)
    assert Rule.R_4_1S not in rules(last_of(points, apart))
    ten = [point(run, material, 0.2) for run in range(5) for material in ("L1", "L2")]
    assert Rule.R_10X in rules(last_of(ten, BOTH))
    assert Rule.R_10X not in rules(last_of(ten, apart))


def test_an_old_streak_is_not_this_runs() -> None:
    assert last_of(series([1.2, 1.1, 1.6, 1.3, 0.2])).hits == ()


def test_what_each_rule_asks_for() -> None:
    verdict = last_of(series([1.2, 1.1, 1.6, 1.3]))
    assert verdict.in_control
    assert verdict.to_investigate
    assert "4-1s" in str(verdict.sentence)
    strict = ControlScheme(frozenset({"L1"}), actions=default_actions() | {Rule.R_4_1S: Action.REJECT})
    assert not last_of(series([1.2, 1.1, 1.6, 1.3]), strict).in_control
    assert last_of(series([3.5]), ControlScheme(frozenset({"L1"}), actions={})).hits == ()


def test_gravest_first_and_named_in_words() -> None:
    verdict = last_of(series([3.5]))
    assert [hit.rule for hit in verdict.hits] == [Rule.R_1_3S, Rule.R_1_2S]
    assert str(verdict.sentence).startswith("Not in control")
    assert "1-3s" in str(verdict.sentence)
    assert "L1" in str(verdict.sentence)


def test_a_missing_control_rejects() -> None:
    verdict = judge_run([], [point(1, "L1", 0)], BOTH)
    assert not verdict.in_control
    assert [(hit.rule, hit.materials) for hit in verdict.hits] == [(Rule.MISSING, ("L2",))]
    assert not judge_run([], [], BOTH).in_control


def test_pass_fail_checks() -> None:
    scheme = ControlScheme(frozenset({"L1"}), required_checks=frozenset({"check"}))
    fine = [point(1, "L1", 0)]
    assert not judge_run([], fine, scheme).in_control
    assert judge_run([], fine, scheme, [CheckPoint(1, "check", True)]).in_control
    failed = judge_run([], fine, scheme, [CheckPoint(1, "check", True), CheckPoint(1, "check", False)])
    assert [hit.rule for hit in failed.hits] == [Rule.FAILED_CHECK]
    assert not failed.in_control


def test_one_run_at_a_time() -> None:
    with pytest.raises(ValueError, match="one run"):
        judge_run([], [point(1, "L1", 0), point(2, "L1", 0)], L1)
    with pytest.raises(ValueError, match="one run"):
        judge_run([], [point(1, "L1", 0)], L1, [CheckPoint(2, "check", True)])


def test_z_is_exact() -> None:
    assert z_score(Decimal("20.2"), Decimal("20"), Decimal("0.1")) == 2
    assert z_score(Decimal("19.7"), Decimal("20"), Decimal("0.1")) == -3
    with pytest.raises(ValueError, match="SD"):
        z_score(Decimal(1), Decimal(1), Decimal(0))


zs = st.lists(st.fractions(min_value=-4, max_value=4, max_denominator=8), min_size=1, max_size=14)


@patient
@given(zs)
def test_mirror_image(values: list[Fraction]) -> None:
    verdict, mirrored = last_of(series(values)), last_of(series([-z for z in values]))
    assert rules(verdict) == rules(mirrored)


@patient
@given(zs)
def test_against_the_rules_written_out(values: list[Fraction]) -> None:
    got = rules(last_of(series(values)))

    def row(length: int, limit: int) -> bool:
        tail = values[-length:]
        return len(tail) == length and (all(z > limit for z in tail) or all(z < -limit for z in tail))

    expected = {
        rule
        for rule, broken in (
            (Rule.R_1_2S, row(1, 2)), (Rule.R_1_3S, row(1, 3)), (Rule.R_2_2S, row(2, 2)),
            (Rule.R_4_1S, row(4, 1)), (Rule.R_10X, row(10, 0)),
        )
        if broken
    }  # fmt: skip
    assert got == expected
