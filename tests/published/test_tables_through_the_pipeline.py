"""Every printed rate of published tables, reproduced by feeding its counts as rows through facts, cells and indicators."""

from collections.abc import Mapping
from fractions import Fraction

import pytest
from statsmodels.stats.proportion import proportion_confint

from oversight.figures import Figure
from results.units import round_half_up
from tests.published.conftest import Tell

# Source: long-term programme table of the Veneto type (Zorzi et al., Gut 2018, from memory; seen as a table): all
# rounds, rounds 1-6: invited, screened, at or above, examined, cancers, advanced adenomas, non-advanced adenomas.
VENETO = {
    "all": (526644, 441647, 18179, 16954, 781, 4713, 2844),
    "1": (178828, 123347, 7015, 6419, 412, 1958, 919),
    "2": (107253, 96129, 3433, 3227, 162, 813, 560),
    "3": (83813, 78770, 2624, 2485, 75, 647, 475),
    "4": (66862, 63069, 2112, 2004, 61, 540, 348),
    "5": (53124, 50441, 1856, 1751, 46, 457, 343),
    "6": (36764, 29891, 1139, 1068, 25, 298, 199),
}
# Printed: participation, compliance, cancers per 1,000, screened for one advanced neoplasia. Calculated from the same
# counts: positivity, advanced adenomas per 1,000, predictive value of advanced neoplasia and of cancer, examined for one.
PRINTED = {
    "all": ("83.9", "93.3", "1.77", "80.4", "4.1", "10.67", "32.4", "4.6", "3.1"),
    "1": ("69.0", "91.5", "3.34", "52.0", "5.7", "15.87", "36.9", "6.4", "2.7"),
    "2": ("89.6", "94.0", "1.69", "98.6", "3.6", "8.46", "30.2", "5.0", "3.3"),
    "3": ("94.0", "94.7", "0.95", "109.1", "3.3", "8.21", "29.1", "3.0", "3.4"),
    "4": ("94.3", "94.9", "0.97", "104.9", "3.3", "8.56", "30.0", "3.0", "3.3"),
    "5": ("94.9", "94.3", "0.91", "100.3", "3.7", "9.06", "28.7", "2.6", "3.5"),
    "6": ("81.3", "93.8", "0.84", "92.5", "3.8", "9.97", "30.2", "2.3", "3.3"),
}
KEYS = (
    "uptake_90", "examined_365", "detection_cancer", "needed_to_screen", "positivity", "detection_advanced_adenoma",
    "ppv_advanced_neoplasia", "ppv_cancer", "needed_to_scope",
)  # fmt: skip


def whole_percent(one: Figure) -> str:
    """The share in whole per cent, rounded once from the counts (28 of 428 is 6.54: printed 7, not 6)."""
    return str(round_half_up(Fraction(100 * one.numerator, one.denominator), 0))


def people(row: tuple[int, ...]) -> Mapping[str, int]:
    names = ("invited", "tested", "high", "examined", "cancer", "advanced", "other")
    return dict(zip(names, row, strict=True))


# The columns of a hundred thousand and more are for the campaign; the suite takes the two smallest.
@pytest.mark.parametrize(
    "column",
    [pytest.param(name, marks=[] if name in ("5", "6") else [pytest.mark.campaign]) for name in VENETO],
)
def test_seven_columns(told: Tell, column: str) -> None:
    found = told(people(VENETO[column]))
    assert tuple(str(found[key].value) for key in KEYS) == PRINTED[column]
    assert all(one.maturity.complete for one in found.values())


# Source: national programme report of the Netherlands for 2014: 529,056 of 741,914 took part, printed 71.3 % (71.2-71.4);
# of 31,759 colonoscopies 2,483 cancers (7.8 %), 12,030 advanced adenomas (37.9 %); advanced neoplasia 45.15-46.25 calculated.
@pytest.mark.campaign
def test_netherlands_2014_participation(told: Tell) -> None:
    one = told({"invited": 741914, "tested": 529056})["uptake_90"]
    assert (str(one.value), one.interval_words) == ("71.3", "71.2–71.4 %")


@pytest.mark.campaign
def test_netherlands_2016_participation(told: Tell) -> None:
    assert str(told({"invited": 459740, "tested": 348891})["uptake_90"].value) == "75.9"


def test_netherlands_2014_yield(told: Tell) -> None:
    found = told({"tested": 31759, "high": 31759, "examined": 31759, "cancer": 2483, "advanced": 12030})
    assert [str(found[key].value) for key in ("ppv_cancer", "ppv_advanced_adenoma")] == ["7.8", "37.9"]
    assert found["ppv_advanced_neoplasia"].numerator == 14513
    low, high = found["ppv_advanced_neoplasia"].limits or (0, 0)
    assert (round(low, 2), round(high, 2)) == (45.15, 46.25)


# Source: second-round yield by first-round value: at or above n (printed %), advanced neoplasia n (printed per 1,000).
# The printed predictive values use examined people that are not printed, so they cannot be reproduced and are not claimed.
@pytest.mark.parametrize(
    ("tested", "high", "positivity", "neoplasia", "per_thousand"),
    [
        pytest.param(248310, 6000, "2.4", 1390, "5.6", marks=pytest.mark.campaign),
        (66030, 5187, "7.9", 1993, "30.2"),
        (10961, 2553, "23.3", 1319, "120.3"),
    ],
)
def test_second_round_by_first_value(
    told: Tell, tested: int, high: int, positivity: str, neoplasia: int, per_thousand: str
) -> None:
    found = told({"tested": tested, "high": high, "examined": high, "advanced": neoplasia})
    assert str(found["positivity"].value) == positivity
    detected = found["detection_advanced_neoplasia"]
    assert str(round_half_up(Fraction(1000 * detected.numerator, detected.denominator), 1)) == per_thousand


# Source: cutoff study in a Dutch trial population, 6,157 tested at 10 µg/g: 526 at or above (8.5 %), 428 examined (81 %),
# 28 cancers (7 %), 161 advanced adenomas (38 %), 105 non-advanced (25 %), none 134; 3.1 % advanced neoplasia; 2.3 to scope.
def test_dutch_trial_at_10(told: Tell) -> None:
    found = told({"tested": 6157, "high": 526, "examined": 428, "cancer": 28, "advanced": 161, "other": 105})
    whole = {key: whole_percent(one) for key, one in found.items() if one.denominator}
    assert str(found["positivity"].value) == "8.5"
    assert (whole["examined_365"], whole["ppv_cancer"], whole["ppv_advanced_adenoma"]) == ("81", "7", "38")
    assert str(found["needed_to_scope"].value) == "2.3"
    assert str(found["detection_advanced_neoplasia"].value) == "30.70"
    # The study prints the plain normal interval (2.6-3.5); ours is Wilson's and says so.
    low, high = found["detection_advanced_neoplasia"].limits or (0, 0)
    assert (round(low, 1), round(high, 1)) == (26.7, 35.3)
    assert found["ppv_advanced_neoplasia"].denominator - found["ppv_adenoma"].numerator - 28 == 134


# Source: cutoff study at six cutoffs, 4,523 tested, printed whole percentages, Wilson calculated; AA and CRC as transcribed.
SIX = [
    (826, "18", 17.16, 19.41, 180, 27), (745, "16", 15.42, 17.58, 169, 27), (578, "13", 11.84, 13.78, 162, 26),
    (460, "10", 9.32, 11.09, 137, 23), (410, "9", 8.26, 9.94, 128, 22), (380, "8", 7.63, 9.25, 126, 22),
]  # fmt: skip


@pytest.mark.parametrize(("high", "printed", "low", "up", "advanced", "cancer"), SIX)
def test_six_cutoffs(
    told: Tell, high: int, printed: str, low: float, up: float, advanced: int, cancer: int
) -> None:
    found = told({"tested": 4523, "high": high, "examined": high, "advanced": advanced, "cancer": cancer})
    one = found["positivity"]
    assert whole_percent(one) == printed
    limits = one.limits or (0.0, 0.0)
    assert (round(limits[0], 2), round(limits[1], 2)) == (low, up)
    assert limits == pytest.approx(
        [100 * v for v in proportion_confint(high, 4523, method="wilson")], abs=1e-9
    )
    assert found["detection_advanced_neoplasia"].numerator == advanced + cancer


# Source: the same study: what is at or above never grows as the cutoff rises.
def test_six_cutoffs_fall() -> None:
    for column in (0, 4, 5):
        rows = [row[column] for row in SIX]
        assert rows == sorted(rows, reverse=True)


# Source: Scottish evaluation 2010-11: 38,672 of 65,909 tested, printed 58.7 %.
def test_scotland_uptake(told: Tell) -> None:
    assert str(told({"invited": 65909, "tested": 38672})["uptake_90"].value) == "58.7"


# Source: Italian programmes 2005: 376,240 of 827,473 invited were screened, 45.47 % crude, printed "adjusted attendance" 47.1 %;
# the exclusions are not printed: about 28,700 follow from the two figures, so only crude and adjusted together are a check.
@pytest.mark.campaign
def test_italy_2005_crude_and_adjusted(told: Tell) -> None:
    found = told({"invited": 827473, "tested": 376240, "lost": 28700})
    crude = found["uptake_90"]
    assert str(round_half_up(Fraction(100 * crude.numerator, crude.denominator), 2)) == "45.47"
    assert (str(crude.value), str(found["uptake_90_adjusted"].value)) == ("45.5", "47.1")


# Source: symptomatic series: of 1,447 examined 95 cancers (6.6 %), 133 high-risk adenomas (9.2 %).
def test_symptomatic_series(told: Tell) -> None:
    found = told({"tested": 1447, "high": 1447, "examined": 1447, "cancer": 95, "advanced": 133})
    assert [str(found[key].value) for key in ("ppv_cancer", "ppv_advanced_adenoma")] == ["6.6", "9.2"]


# Source: a paper that prints 34.4 % and 11.1 % "of test positives": 11 of 32 examined and 4 of 36 at or above.
def test_a_denominator_has_its_name(told: Tell) -> None:
    found = told({"tested": 549, "high": 36, "examined": 32, "advanced": 11})
    assert str(found["ppv_advanced_neoplasia"].value) == "34.4"
    assert (found["ppv_advanced_neoplasia"].denominator, found["examined_365"].denominator) == (32, 36)
    assert found["ppv_advanced_neoplasia"].too_few
    cancers = told({"tested": 549, "high": 36, "examined": 36, "cancer": 4})
    assert str(cancers["ppv_cancer"].value) == "11.1"
