"""Published counts with their printed rates, and published interval examples, each with its source."""

from decimal import Decimal
from fractions import Fraction

import pytest

from oversight.intervals import newcombe_difference, wilson
from results.units import round_half_up


def percent(x: int, n: int, decimals: int = 1) -> Decimal:
    return round_half_up(Fraction(100 * x, n), decimals)


# Source: Newcombe, Stat Med 1998;17:857-872, examples 81/263, 15/148 (seen), 0/20 (from memory);
# recomputed.
@pytest.mark.parametrize(
    ("x", "n", "low", "high"), [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611)]
)
def test_wilson_of_newcombe_1998(x: int, n: int, low: float, high: float) -> None:
    assert tuple(round(limit, 4) for limit in wilson(x, n)) == (low, high)


# Source: Newcombe, Stat Med 1998;17:873-890, method 10 (cases from memory, values recomputed); the last
# is from a resuscitation trial discussed in the same literature.
@pytest.mark.parametrize(
    ("x1", "n1", "x2", "n2", "low", "high"),
    [
        (56, 70, 48, 80, 0.0524, 0.3339),
        (5, 56, 0, 29, -0.0381, 0.1926),
        (0, 10, 0, 20, -0.1611, 0.2775),
        (0, 10, 0, 10, -0.2775, 0.2775),
        (10, 10, 0, 10, 0.6075, 1.0),
        (7, 34, 1, 34, 0.0189, 0.3404),
    ],
)
def test_differences_of_newcombe_1998(x1: int, n1: int, x2: int, n2: int, low: float, high: float) -> None:
    assert tuple(round(limit, 4) for limit in newcombe_difference(x1, n1, x2, n2)) == (low, high)


# Source: long-term programme table of the Veneto type (Zorzi et al., Gut 2018, from memory): all rounds,
# rounds 1-6.
VENETO = {
    "invited": (526644, 178828, 107253, 83813, 66862, 53124, 36764),
    "screened": (441647, 123347, 96129, 78770, 63069, 50441, 29891),
    "at_or_above": (18179, 7015, 3433, 2624, 2112, 1856, 1139),
    "examined": (16954, 6419, 3227, 2485, 2004, 1751, 1068),
    "cancer": (781, 412, 162, 75, 61, 46, 25),
    "advanced": (4713, 1958, 813, 647, 540, 457, 298),
}


@pytest.mark.parametrize(
    ("top", "bottom", "printed"),
    [
        ("screened", "invited", "83.9 69.0 89.6 94.0 94.3 94.9 81.3"),
        ("examined", "at_or_above", "93.3 91.5 94.0 94.7 94.9 94.3 93.8"),
    ],
)
def test_printed_percentages_of_seven_columns(top: str, bottom: str, printed: str) -> None:
    rates = [str(percent(x, n)) for x, n in zip(VENETO[top], VENETO[bottom], strict=True)]
    assert rates == printed.split()


# Source: same table; printed cancers per 1,000 screened and numbers needed to screen for one advanced
# neoplasia.
def test_printed_yields_of_seven_columns() -> None:
    columns = list(zip(VENETO["screened"], VENETO["cancer"], VENETO["advanced"], strict=True))
    per_thousand = [str(round_half_up(Fraction(1000 * cancer, n), 2)) for n, cancer, _advanced in columns]
    needed = [str(round_half_up(Fraction(n, cancer + advanced), 1)) for n, cancer, advanced in columns]
    assert per_thousand == ["1.77", "3.34", "1.69", "0.95", "0.97", "0.91", "0.84"]
    assert needed == ["80.4", "52.0", "98.6", "109.1", "104.9", "100.3", "92.5"]


# Source: same table; positivity calculated from its counts.
def test_positivity_of_seven_columns() -> None:
    rates = [percent(x, n, 3) for x, n in zip(VENETO["at_or_above"], VENETO["screened"], strict=True)]
    assert [str(rate) for rate in rates] == ["4.116", "5.687", "3.571", "3.331", "3.349", "3.680", "3.811"]


# Source: same table: the columns of rounds add up to the first.
@pytest.mark.parametrize("row", VENETO.values(), ids=VENETO)
def test_rounds_add_up(row: tuple[int, ...]) -> None:
    assert sum(row[1:]) == row[0]


# Source: national programme report of the Netherlands for 2014 (participation with its printed interval),
# 2016, and second-round positivity by first-round value; recomputed.
@pytest.mark.parametrize(
    ("x", "n", "printed"),
    [(529056, 741914, "71.3"), (348891, 459740, "75.9"), (2483, 31759, "7.8"), (12030, 31759, "37.9"),
     (6000, 248310, "2.4"), (5187, 66030, "7.9"), (2553, 10961, "23.3")],
)  # fmt: skip
def test_netherlands(x: int, n: int, printed: str) -> None:
    assert str(percent(x, n)) == printed


# Source: same report, participation 71.3 % (71.2-71.4); advanced neoplasia 45.15-46.25 calculated.
def test_netherlands_intervals() -> None:
    low, high = wilson(529056, 741914)
    assert (round(100 * low, 1), round(100 * high, 1)) == (71.2, 71.4)
    low, high = wilson(14513, 31759)
    assert (round(100 * low, 2), round(100 * high, 2)) == (45.15, 46.25)


# Source: cutoff study at six cutoffs, 4,523 tested: counts as transcribed, printed whole percentages,
# Wilson calculated.
@pytest.mark.parametrize(
    ("x", "printed", "low", "high"),
    [(826, "18", 17.16, 19.41), (745, "16", 15.42, 17.58), (578, "13", 11.84, 13.78), (460, "10", 9.32, 11.09),
     (410, "9", 8.26, 9.94), (380, "8", 7.63, 9.25)],
)  # fmt: skip
def test_positivity_at_six_cutoffs(x: int, printed: str, low: float, high: float) -> None:
    assert str(percent(x, 4523, 0)) == printed
    assert tuple(round(100 * limit, 2) for limit in wilson(x, 4523)) == (low, high)


# Source: Dutch trial population at 10 µg/g, 6,157 tested; the printed interval 2.6-3.5 is the plain
# normal one, the Wilson interval of the same counts is 2.67-3.53: an interval needs its method named.
def test_an_interval_needs_its_method_named() -> None:
    assert str(percent(526, 6157)) == "8.5"
    assert str(percent(189, 6157)) == "3.1"
    assert tuple(round(100 * limit, 2) for limit in wilson(189, 6157)) == (2.67, 3.53)


# Source: Scottish evaluation 2010-11 (printed 58.7 %); Slovenian interval-cancer proportion 79/(493+79)
# (13.8 %); a symptomatic laboratory's rejections 5,190 of 126,422 (4.1 %); Wilson calculated.
@pytest.mark.parametrize(
    ("x", "n", "printed", "low", "high"),
    [
        (38672, 65909, "58.7", 58.30, 59.05),
        (79, 572, "13.8", 11.22, 16.88),
        (5190, 126422, "4.1", 4.00, 4.22),
    ],
)
def test_smaller_checks(x: int, n: int, printed: str, low: float, high: float) -> None:
    assert str(percent(x, n)) == printed
    assert tuple(round(100 * limit, 2) for limit in wilson(x, n)) == (low, high)


# Source: a follow-up paper that prints 34.4 % (11 of the 32 followed up) and 11.1 % (4 of all 36): name
# the denominator.
def test_a_rate_names_its_denominator() -> None:
    assert (str(percent(11, 32)), str(percent(4, 36))) == ("34.4", "11.1")
    assert str(percent(11, 36)) != "34.4"


# Source: English pilot by screen number: ages of first screens print as 76.6, 14.1, 9.4 and add to 100.1
# by rounding.
def test_rounded_shares_are_not_made_to_add_up() -> None:
    shares = [percent(x, 6773) for x in (5187, 952, 634)]
    assert shares == [Decimal("76.6"), Decimal("14.1"), Decimal("9.4")]
    assert sum(shares) == Decimal("100.1")


# Source: same table as the seven columns: 94.9495 prints as 94.9; rounding twice would print 95.0.
def test_rounding_once() -> None:
    once = percent(50441, 53124)
    twice = round_half_up(percent(50441, 53124, 2), 1)
    assert (str(once), str(twice)) == ("94.9", "95.0")
