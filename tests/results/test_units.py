"""Readings as text, conversion to µg/g and rounding."""

import os
from decimal import Decimal
from fractions import Fraction

import pytest
from django.conf import settings
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.units import (
    Quantity,
    ReadingError,
    ReadingErrorCode,
    Unit,
    exact_decimal,
    parse_reading,
    round_half_up,
    to_ng_per_ml,
    to_ug_per_g,
)

if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
    settings.configure(USE_I18N=False)

patient = hypothesis_settings(deadline=None)
D = Decimal
decimals_st = st.decimals(min_value=0, max_value=100000, places=3, allow_nan=False, allow_infinity=False)


@pytest.mark.parametrize(
    ("text", "comparator", "value"),
    [
        ("23.4", "", "23.4"),
        ("23.40", "", "23.40"),
        ("0", "", "0"),
        ("0.0", "", "0.0"),
        (" 7 ", "", "7"),
        ("<4", "<", "4"),
        ("< 4", "<", "4"),
        (">200", ">", "200"),
        ("> 200.5", ">", "200.5"),
        ("007", "", "7"),
    ],
)
def test_readings_that_are_taken(text: str, comparator: str, value: str) -> None:
    assert parse_reading(text) == Quantity(comparator, D(value))  # type: ignore[arg-type]
    assert str(parse_reading(text).value) == value


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", ReadingErrorCode.BLANK), ("   ", ReadingErrorCode.BLANK), ("\t\n", ReadingErrorCode.BLANK),
        ("---", ReadingErrorCode.DASHES), ("-", ReadingErrorCode.DASHES), ("****", ReadingErrorCode.DASHES),
        ("–", ReadingErrorCode.DASHES), (".", ReadingErrorCode.DASHES), ("?", ReadingErrorCode.DASHES),
        ("NaN", ReadingErrorCode.NOT_A_NUMBER), ("N/A", ReadingErrorCode.NOT_A_NUMBER),
        ("inf", ReadingErrorCode.NOT_A_NUMBER), ("null", ReadingErrorCode.NOT_A_NUMBER),
        ("-3", ReadingErrorCode.NEGATIVE), ("-0.1", ReadingErrorCode.NEGATIVE),
        ("−3", ReadingErrorCode.NEGATIVE),
        ("<-1", ReadingErrorCode.NEGATIVE),
        ("23,4", ReadingErrorCode.DECIMAL_COMMA), ("1,234", ReadingErrorCode.DECIMAL_COMMA),
        ("<4,0", ReadingErrorCode.DECIMAL_COMMA),
        ("≥20", ReadingErrorCode.COMPARATOR), (">=20", ReadingErrorCode.COMPARATOR),
        ("<=4", ReadingErrorCode.COMPARATOR), ("≤4", ReadingErrorCode.COMPARATOR),
        ("~20", ReadingErrorCode.COMPARATOR), ("+20", ReadingErrorCode.COMPARATOR),
        ("=20", ReadingErrorCode.COMPARATOR), ("<>4", ReadingErrorCode.COMPARATOR),
        ("OVER", ReadingErrorCode.WORD_FOR_LIMIT), ("over range", ReadingErrorCode.WORD_FOR_LIMIT),
        ("HIGH", ReadingErrorCode.WORD_FOR_LIMIT), ("Lo", ReadingErrorCode.WORD_FOR_LIMIT),
        ("<0", ReadingErrorCode.BELOW_NOTHING), ("< 0.00", ReadingErrorCode.BELOW_NOTHING),
        ("23 ng/mL", ReadingErrorCode.TEXT), ("1e3", ReadingErrorCode.TEXT), (".5", ReadingErrorCode.TEXT),
        ("5.", ReadingErrorCode.TEXT), ("1.2.3", ReadingErrorCode.TEXT), ("<", ReadingErrorCode.TEXT),
        ("12 34", ReadingErrorCode.TEXT), ("clot", ReadingErrorCode.TEXT), ("٣", ReadingErrorCode.TEXT),
        ("9" * 30, ReadingErrorCode.TEXT), ("{text}", ReadingErrorCode.TEXT), ("0x10", ReadingErrorCode.TEXT),
    ],
)  # fmt: skip
def test_readings_that_are_refused_by_name(text: str, code: ReadingErrorCode) -> None:
    with pytest.raises(ReadingError) as caught:
        parse_reading(text)
    assert caught.value.code is code
    assert "{sentence}" not in str(caught.value.sentence)


def test_the_refused_text_is_quoted() -> None:
    with pytest.raises(ReadingError) as caught:
        parse_reading("cl{o}t")
    assert "cl{o}t" in str(caught.value.sentence)


@patient
@given(st.text(max_size=15))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        quantity = parse_reading(text)
    except ReadingError:
        return
    assert quantity.value >= 0
    assert quantity.comparator in ("", "<", ">")


@patient
@given(decimals_st)
def test_written_numbers_are_read_exactly(value: Decimal) -> None:
    assert parse_reading(format(value, "f")).value == value


@patient
@given(
    decimals_st,
    st.sampled_from(["2.0", "1.7", "1.9", "0.25"]),
    st.sampled_from(["10", "2", "2.4", "0.5", "3"]),
)
def test_conversion_is_exact_both_ways(raw: Decimal, buffer: str, mass: str) -> None:
    concentration = to_ug_per_g(raw, Unit.NG_PER_ML, D(buffer), D(mass))
    assert concentration * Fraction(mass) == Fraction(raw) * Fraction(buffer)
    assert to_ng_per_ml(concentration, D(buffer), D(mass)) == Fraction(raw)


def test_micrograms_pass_through_without_a_factor() -> None:
    assert to_ug_per_g(D("23.4"), "ug/g", D("1.7"), D("10")) == Fraction("23.4")


@pytest.mark.parametrize("unit", ["", "ng/ml", "µg/g", "mg/g", "ng/mL ", "NG/ML"])
def test_unknown_units_are_refused(unit: str) -> None:
    with pytest.raises(ReadingError) as caught:
        to_ug_per_g(D(1), unit, D(2), D(10))
    assert caught.value.code is ReadingErrorCode.UNIT


@pytest.mark.parametrize(
    ("buffer", "mass"), [("0", "10"), ("2", "0"), ("-2", "10"), ("2", "NaN"), ("Inf", "1")]
)
def test_incomplete_kit_models_are_refused(buffer: str, mass: str) -> None:
    with pytest.raises(ReadingError) as caught:
        to_ug_per_g(D(1), "ng/mL", D(buffer), D(mass))
    assert caught.value.code is ReadingErrorCode.KIT_MODEL


@pytest.mark.parametrize("raw", ["-1", "NaN", "Infinity"])
def test_impossible_values_are_refused(raw: str) -> None:
    with pytest.raises(ReadingError):
        to_ug_per_g(D(raw), "ug/g", D(2), D(10))


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [
        ("19.95", 1, "20.0"), ("19.949999", 1, "19.9"), ("0.05", 1, "0.1"), ("0.5", 0, "1"), ("2.5", 0, "3"),
        ("0", 1, "0.0"), ("20", 2, "20.00"), ("-0.5", 0, "-1"), ("-0.4", 0, "0"),
        ("123456789.05", 1, "123456789.1"),
    ],
)  # fmt: skip
def test_half_up(value: str, decimals: int, expected: str) -> None:
    assert str(round_half_up(D(value), decimals)) == expected


def test_decimals_below_zero() -> None:
    with pytest.raises(ValueError, match="decimals"):
        round_half_up(D(1), -1)


def test_rounded_once_from_the_exact_value() -> None:
    assert round_half_up(Fraction(199499999999, 10**10), 1) == D("19.9")


@patient
@given(st.fractions(min_value=0, max_value=10**6), st.integers(0, 4))
def test_rounding_is_within_half_a_unit_and_monotone(value: Fraction, decimals: int) -> None:
    rounded = Fraction(round_half_up(value, decimals))
    half = Fraction(1, 2 * 10**decimals)
    assert -half <= value - rounded < half
    assert round_half_up(value + half, decimals) >= round_half_up(value, decimals)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (Fraction(20), "20"),
        (Fraction(0), "0"),
        (Fraction(1, 3), "0.333333333333"),
        (Fraction(47, 2), "23.5"),
        (Fraction(100), "100"),
    ],
)
def test_exact_decimal_for_storage(value: Fraction, expected: str) -> None:
    assert str(exact_decimal(value)) == expected
