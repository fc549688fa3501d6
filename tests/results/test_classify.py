"""The side of the cutoff, exhaustively, and the choice and checking of cutoff rules."""

from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import product

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.classify import (
    Classification,
    ClassReason,
    Comparison,
    CutoffError,
    CutoffErrorCode,
    CutoffRule,
    Device,
    RuleProblemCode,
    Side,
    classify,
    cutoff_for,
    rule_problems,
)
from results.units import Comparator, Quantity, parse_reading, round_half_up

patient = hypothesis_settings(deadline=None)
D = Decimal
D1 = Device(D("2.0"), D("10"), loq_ug_per_g=D("4"), upper_limit_ug_per_g=D("200"))
D3 = Device(D("1.7"), D("10"))
DAY = date(2026, 5, 16)
BELOW, ABOVE, PERSON = Side.BELOW, Side.AT_OR_ABOVE, Side.NEEDS_PERSON


def judged(text: str, cutoff: str = "20", comparison: Comparison = ">=", decimals: int = 1) -> Classification:
    return classify(parse_reading(text), "ug/g", D3, decimals, D(cutoff), comparison)


@pytest.mark.parametrize(
    ("text", "comparison", "side", "differs"),
    [
        ("19.9", ">=", BELOW, False),
        ("19.94", ">=", BELOW, False),
        ("19.95", ">=", ABOVE, True),
        ("19.99", ">=", ABOVE, True),
        ("20", ">=", ABOVE, False),
        ("20.04", ">=", ABOVE, False),
        ("0", ">=", BELOW, False),
        ("20", ">", BELOW, False),
        ("20.0", ">", BELOW, False),
        ("20.04", ">", ABOVE, True),
        ("20.05", ">", ABOVE, False),
        ("20.1", ">", ABOVE, False),
        ("19.99", ">", BELOW, False),
    ],
)
def test_reported_or_exact_meets(text: str, comparison: Comparison, side: Side, differs: bool) -> None:
    got = judged(text, comparison=comparison)
    assert (got.side, got.differs, got.reason) == (side, differs, ClassReason.MEASURED)


@pytest.mark.parametrize(
    ("text", "cutoff", "comparison", "side"),
    [
        ("<4", "20", ">=", BELOW),
        ("<15", "10", ">=", PERSON),
        ("<10", "10", ">=", PERSON),  # 9.97 would be reported as 10.0, which is at the cutoff
        ("<9.95", "10", ">=", BELOW),
        ("<9.96", "10", ">=", PERSON),
        ("<10", "10", ">", BELOW),
        ("<10.04", "10", ">", PERSON),
        (">200", "80", ">=", ABOVE),
        (">200", "200", ">=", ABOVE),
        (">200", "200", ">", ABOVE),
        (">10", "20", ">=", PERSON),
        (">19.95", "20", ">=", ABOVE),
        (">19.94", "20", ">=", PERSON),
        (">19.95", "20", ">", PERSON),
        (">0", "20", ">=", PERSON),
    ],
)
def test_censored_readings(text: str, cutoff: str, comparison: Comparison, side: Side) -> None:
    got = judged(text, cutoff, comparison)
    assert got.side is side
    assert got.differs is False
    expected = ClassReason.UNDER_LOWER_LIMIT if text[0] == "<" else ClassReason.OVER_UPPER_LIMIT
    assert got.reason is (ClassReason.STRADDLES_CUTOFF if side is PERSON else expected)


def test_the_reason_says_whether_the_rounded_or_the_measured_value_decided() -> None:
    assert str(judged("19.95").sentence).startswith("At or above rounded as reported, below as measured")
    assert str(judged("20.04", comparison=">").sentence).startswith("At or above as measured, below rounded")
    assert str(judged("20").sentence).endswith("both on the same side.")
    assert judged("<15").sentence == ClassReason.UNDER_LOWER_LIMIT.sentence


def test_unit_is_applied_once_and_the_limit_converts_too() -> None:
    at_cutoff = classify(Quantity("", D("100")), "ng/mL", D1, 1, D("20"))
    assert (at_cutoff.side, at_cutoff.exact, at_cutoff.reported) == (ABOVE, Fraction(20), D("20.0"))
    assert classify(Quantity("<", D("15")), "ng/mL", D1, 1, D("20")).side is BELOW
    assert classify(Quantity("<", D("105")), "ng/mL", D1, 1, D("20")).side is PERSON
    assert classify(Quantity("<", D("105")), "ug/g", D1, 1, D("200")).side is BELOW


def test_the_seventeen_hundredths_trap() -> None:
    one, none = (classify(Quantity("", D("117")), "ng/mL", D3, decimals, D("20")) for decimals in (1, 0))
    assert (one.side, one.reported, one.differs) == (BELOW, D("19.9"), False)
    assert (none.side, none.reported, none.differs) == (ABOVE, D("20"), True)
    assert one.exact == none.exact == Fraction("19.89")


@pytest.mark.parametrize(("text", "says", "side"), [
    ("25", True, ABOVE), ("25", False, PERSON), ("5", False, BELOW), ("5", True, PERSON),
    (">200", False, PERSON), ("<4", True, PERSON), ("<30", True, PERSON), ("<30", False, PERSON),
])  # fmt: skip
def test_the_analysers_own_verdict(text: str, says: bool, side: Side) -> None:
    got = classify(parse_reading(text), "ug/g", D1, 1, D("20"), ">=", says)
    assert got.side is side
    assert (got.reason is ClassReason.ANALYSER_DISAGREES) == (side is PERSON and text != "<30")


@pytest.mark.parametrize(("text", "shown"), [
    ("0", "<4.0"), ("3.99", "<4.0"), ("4", "4.0"), ("<3", "<4.0"), ("<4", "<4.0"), ("<5", "<5.0"),
    ("200", "200.0"), ("350", ">200.0"), (">200", ">200.0"), (">150", ">150.0"), ("23.45", "23.5"),
])  # fmt: skip
def test_no_number_outside_the_limits_is_shown(text: str, shown: str) -> None:
    assert classify(parse_reading(text), "ug/g", D1, 1, D("20")).shown == shown


@pytest.mark.parametrize("cutoff", ["0", "-1"])
def test_cutoff_above_zero(cutoff: str) -> None:
    with pytest.raises(ValueError, match="above zero"):
        classify(Quantity("", D(1)), "ug/g", D1, 1, D(cutoff))


values = st.decimals(min_value=0, max_value=400, places=3, allow_nan=False, allow_infinity=False)
cutoffs = st.decimals(min_value=D("0.1"), max_value=200, places=1, allow_nan=False, allow_infinity=False)
comparisons: st.SearchStrategy[Comparison] = st.sampled_from([">=", ">"])


@patient
@given(values, cutoffs, comparisons, st.integers(0, 2))
def test_measured_is_never_below_when_either_value_meets(
    value: Decimal, cutoff: Decimal, comparison: Comparison, decimals: int
) -> None:
    got = classify(Quantity("", value), "ug/g", D3, decimals, cutoff, comparison)
    meets = [v >= cutoff if comparison == ">=" else v > cutoff for v in (value, got.reported)]
    assert (got.side is ABOVE) == any(meets)
    assert got.differs == (meets[0] != meets[1])


@patient
@given(values, st.sampled_from(["<", ">"]), values, cutoffs, comparisons, st.integers(0, 2))
def test_a_censored_side_holds_for_every_value_it_allows(
    limit: Decimal,
    comparator: Comparator,
    value: Decimal,
    cutoff: Decimal,
    comparison: Comparison,
    decimals: int,
) -> None:
    censored = classify(Quantity(comparator, limit), "ug/g", D3, decimals, cutoff, comparison)
    allowed = value < limit if comparator == "<" else value > limit
    if allowed and censored.side is not PERSON:
        assert classify(Quantity("", value), "ug/g", D3, decimals, cutoff, comparison).side is censored.side


@patient
@given(values, values, cutoffs, comparisons)
def test_more_is_never_classed_lower(
    low: Decimal, high: Decimal, cutoff: Decimal, comparison: Comparison
) -> None:
    low, high = sorted((low, high))
    sides = [classify(Quantity("", v), "ug/g", D3, 1, cutoff, comparison).side for v in (low, high)]
    assert sides != [ABOVE, BELOW]


@patient
@given(values, cutoffs)
def test_lowering_a_cutoff_never_loses_anyone(value: Decimal, cutoff: Decimal) -> None:
    if classify(Quantity("", value), "ug/g", D3, 1, cutoff).side is ABOVE:
        lower = max(cutoff / 2, D("0.01"))
        assert classify(Quantity("", value), "ug/g", D3, 1, lower).side is ABOVE


def test_reported_is_the_exact_value_rounded_once() -> None:
    got = classify(Quantity("", D("117.3")), "ng/mL", D3, 1, D("20"))
    assert got.reported == round_half_up(got.exact, 1) == D("19.9")


WOMEN = CutoffRule(1, date(2026, 1, 1), D("15"), sex="female")
MEN = CutoffRule(2, date(2026, 1, 1), D("30"), sex="male", age_to=64)
OLD_MEN = CutoffRule(3, date(2026, 1, 1), D("25"), sex="male", age_from=65)
LAST_YEAR = CutoffRule(4, date(2025, 1, 1), D("20"), valid_until=date(2026, 1, 1))
RULES = (WOMEN, MEN, OLD_MEN, LAST_YEAR)


@pytest.mark.parametrize(
    ("sex", "age", "on", "rule"),
    [
        ("female", 60, DAY, 1), ("female", None, DAY, 1), ("male", 60, DAY, 2), ("male", 64, DAY, 2),
        ("male", 65, DAY, 3), ("male", None, DAY, 3), ("other", 60, DAY, 1), ("unknown", 70, DAY, 1),
        (None, None, DAY, 1), ("", 66, DAY, 1), ("male", 60, date(2025, 12, 31), 4),
        ("male", 60, date(2026, 1, 1), 2), ("unknown", None, date(2025, 1, 1), 4),
    ],
)  # fmt: skip
def test_the_rule_in_force(sex: str | None, age: int | None, on: date, rule: int) -> None:
    assert cutoff_for(RULES, sex, age, on).id == rule


def test_unknown_always_gets_the_lowest_that_could_apply() -> None:
    for sex, age in product(("other", "unknown", None), (None, 50, 64, 65, 80)):
        known = [
            cutoff_for(RULES, s, a, DAY).cutoff
            for s in ("female", "male")
            for a in ([age] if age is not None else [50, 64, 65, 80])
        ]
        assert cutoff_for(RULES, sex, age, DAY).cutoff == min(known)


def test_unknown_first_or_subsequent() -> None:
    first = CutoffRule(1, DAY, D("20"), first_round=True)
    later = CutoffRule(2, DAY, D("30"), first_round=False)
    assert [cutoff_for((later, first), "male", 60, DAY, f).id for f in (True, False, None)] == [1, 2, 1]


def test_of_equal_cutoffs_the_inclusive_one() -> None:
    strict, inclusive = CutoffRule(1, DAY, D("20"), ">"), CutoffRule(2, DAY, D("20"), ">=")
    assert cutoff_for((strict, inclusive), "male", 60, DAY).id == 2


@pytest.mark.parametrize(("rules", "on"), [((), DAY), (RULES, date(2024, 12, 31)), ((MEN,), DAY)])
def test_no_rule_is_an_error_by_name(rules: tuple[CutoffRule, ...], on: date) -> None:
    with pytest.raises(CutoffError) as caught:
        cutoff_for(rules, "female", 60, on)
    assert caught.value.code is CutoffErrorCode.NO_RULE


@pytest.mark.parametrize(
    ("change", "codes"),
    [
        ({}, []),
        ({"cutoff": D("4")}, [RuleProblemCode.NOT_ABOVE_LOQ]),
        ({"cutoff": D("4.1")}, []),
        ({"cutoff": D("200")}, [RuleProblemCode.NOT_UNDER_UPPER_LIMIT]),
        ({"cutoff": D("0")}, [RuleProblemCode.NOT_ABOVE_ZERO, RuleProblemCode.NOT_ABOVE_LOQ]),
        ({"cutoff": D("15.25")}, [RuleProblemCode.TOO_FINE]),
        ({"valid_until": DAY}, [RuleProblemCode.EMPTY_PERIOD]),
        ({"age_from": 60, "age_to": 59}, [RuleProblemCode.EMPTY_AGES]),
    ],
)
def test_problems_of_one_rule(change: dict[str, object], codes: list[RuleProblemCode]) -> None:
    rule = replace(CutoffRule(1, DAY, D("15")), **change)  # type: ignore[arg-type]
    assert [problem.code for problem in rule_problems([rule], [D1, D3], 1)] == codes


def test_overlaps_are_found() -> None:
    assert rule_problems(RULES, [D1], 1) == []
    anyone = CutoffRule(9, date(2026, 3, 1), D("20"), age_from=65)
    pairs = [problem.rules for problem in rule_problems([*RULES, anyone], [D1], 1)]
    assert pairs == [(1, 9), (3, 9)]
