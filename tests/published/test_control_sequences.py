"""Control sequences with their expected rule, from the published rule texts."""

from decimal import Decimal
from fractions import Fraction

import pytest

from results.control_rules import ControlPoint, ControlScheme, RangeRule, Rule, judge_run, z_score

ONE = ControlScheme(frozenset({"L1"}))


def broken_at_each_point(zs: str) -> list[set[Rule]]:
    points = [ControlPoint(run, "L1", Fraction(z)) for run, z in enumerate(zs.split())]
    return [{hit.rule for hit in judge_run(points[:n], [points[n]], ONE).hits} for n in range(len(points))]


# Source: rule texts of the Westgard multirule (Westgard et al., Clin Chem 1981;27:493-501, from memory;
# rule page seen); the sequences are calculated from them. "Exceeds" is strict.
@pytest.mark.parametrize(
    ("zs", "expected"),
    [
        ("0.2 -0.8 3.1", {2: {Rule.R_1_2S, Rule.R_1_3S}}),
        ("0.5 2.3 0.4", {1: {Rule.R_1_2S}}),
        ("0.5 2.1 2.4", {1: {Rule.R_1_2S}, 2: {Rule.R_1_2S, Rule.R_2_2S}}),
        ("2.1 -2.4", {0: {Rule.R_1_2S}, 1: {Rule.R_1_2S}}),
        ("1.2 1.1 1.6 1.3", {3: {Rule.R_4_1S}}),
        ("0.3 0.1 0.7 0.5 0.9 0.2 0.4 0.6 0.1 0.2", {9: {Rule.R_10X}}),
        ("0.3 0.1 0.7 0.5 0.9 0.0 0.4 0.6 0.1 0.2", {}),
        ("2.0 3.0", {1: {Rule.R_1_2S}}),
    ],
)
def test_one_level_over_runs(zs: str, expected: dict[int, set[Rule]]) -> None:
    got = {n: broken for n, broken in enumerate(broken_at_each_point(zs)) if broken}
    assert got == expected


# Source: same rule texts; L1 +2.3 and L2 -2.2 in one run break R-4s under both definitions in use.
@pytest.mark.parametrize("definition", RangeRule)
def test_two_levels_in_one_run(definition: RangeRule) -> None:
    points = [ControlPoint(1, "L1", Fraction("2.3")), ControlPoint(1, "L2", Fraction("-2.2"))]
    verdict = judge_run([], points, ControlScheme(frozenset({"L1", "L2"}), range_rule=definition))
    assert not verdict.in_control
    assert Rule.R_R_4S in {hit.rule for hit in verdict.hits}


# Source: a teaching page's three-level run (means 100, 150, 200; SD 5, 8, 10), which prints 267 for 167,
# a slip.
def test_three_levels_in_one_run() -> None:
    readings = {"L1": ("111", "100", "5"), "L2": ("167", "150", "8"), "L3": ("202", "200", "10")}
    points = [ControlPoint(1, name, z_score(*map(Decimal, figures))) for name, figures in readings.items()]
    assert [point.z for point in points] == [Fraction("2.2"), Fraction("2.125"), Fraction("0.2")]
    verdict = judge_run([], points, ControlScheme(frozenset(readings)))
    assert not verdict.in_control
    assert [hit.materials for hit in verdict.hits if hit.rule is Rule.R_2_2S] == [("L1", "L2")]
