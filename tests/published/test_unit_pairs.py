"""Published and calculated pairs of ng/mL and µg/g, and published cutoffs, each with its source."""

from decimal import Decimal
from fractions import Fraction

import pytest

from results.classify import Comparison, Device, Side, classify
from results.units import Quantity, exact_decimal, round_half_up, to_ng_per_ml, to_ug_per_g

D = Decimal


# Source: 100 ng/mL = 20 µg/g and 50 ng/mL = 10 µg/g are printed in the English pilot report and the
# British Columbia cutoff paper for a 2.0 mL, 10 mg device; 75/15, 400/80, 600/120 in programme papers;
# rest calculated.
@pytest.mark.parametrize(
    ("ng", "ug"),
    [(100, 20), (50, 10), (75, 15), (400, 80), (600, 120), (235, 47), (225, 45), (150, 30), (125, 25),
     (200, 40), (750, 150)],
)  # fmt: skip
def test_two_millilitres_ten_milligrams(ng: int, ug: int) -> None:
    assert to_ug_per_g(D(ng), "ng/mL", D("2.0"), D("10")) == ug
    assert to_ng_per_ml(D(ug), D("2.0"), D("10")) == ng


# Source: "only 2 mg" collected in 2.0 mL: factor 1 (mass from a published device comparison, volume from
# memory).
@pytest.mark.parametrize("value", [20, 80])
def test_two_milligrams(value: int) -> None:
    assert to_ug_per_g(D(value), "ng/mL", D("2.0"), D("2")) == value


# Source: calculated from f-Hb = C x V / m (Fraser et al., J Natl Cancer Inst 2012); device figures from
# memory.
@pytest.mark.parametrize(
    ("buffer", "mass", "ng", "ug"),
    [("1.7", "10", "100", "17"), ("1.7", "10", "117", "19.89"), ("2.0", "2.4", "24", "20"),
     ("2.0", "2.4", "56.4", "47"), ("1.9", "0.5", "100", "380"), ("2.5", "1", "8", "20")],
)  # fmt: skip
def test_other_devices_are_exact(buffer: str, mass: str, ng: str, ug: str) -> None:
    assert to_ug_per_g(D(ng), "ng/mL", D(buffer), D(mass)) == Fraction(ug)
    assert exact_decimal(to_ug_per_g(D(ng), "ng/mL", D(buffer), D(mass))) == D(ug)


# Source: calculated; 20 µg/g on a 1.7 mL, 10 mg device is commonly printed as "117 ng/mL"; 5.263 on 1.9
# mL, 0.5 mg.
def test_twenty_micrograms_back_to_nanograms() -> None:
    assert round_half_up(to_ng_per_ml(D(20), D("1.7"), D(10)), 3) == D("117.647")
    assert round_half_up(to_ng_per_ml(D(20), D("1.9"), D("0.5")), 3) == D("5.263")
    assert round_half_up(to_ng_per_ml(D(20), D("1.9"), D("0.5")), 3) != to_ng_per_ml(
        D(20), D("1.9"), D("0.5")
    )


# Source: a nationwide two-device programme: cutoffs of 100 and 8 ng/mL "both equivalent to 20 µg/g":
# equal ng/mL values on different devices are not equal concentrations (Fraser et al., J Natl Cancer Inst
# 2012).
def test_equal_concentrations_from_unequal_readings() -> None:
    assert to_ug_per_g(D(100), "ng/mL", D("2.0"), D("10")) == to_ug_per_g(D(8), "ng/mL", D("2.5"), D("1"))


# Source: ">= 400 ng Hb/mL were reported as positive" (Scottish evaluation, 80 µg/g); "120 µg/g or more"
# (England); "above the defined cutoff" (a nationwide programme): the operator differs, so the value at
# the cutoff does too.
@pytest.mark.parametrize(
    ("ng", "cutoff", "comparison", "side"),
    [(400, "80", ">=", Side.AT_OR_ABOVE), ("399.7", "80", ">=", Side.BELOW),
     (600, "120", ">=", Side.AT_OR_ABOVE), (100, "20", ">=", Side.AT_OR_ABOVE),
     (100, "20", ">", Side.BELOW), ("100.3", "20", ">", Side.AT_OR_ABOVE)],
)  # fmt: skip
def test_the_value_at_the_cutoff(ng: str | int, cutoff: str, comparison: Comparison, side: Side) -> None:
    device = Device(D("2.0"), D("10"))
    assert classify(Quantity("", D(ng)), "ng/mL", device, 1, D(cutoff), comparison).side is side


# Source: Fraser and Benton, CCLM 2018, doi 10.1515/cclm-2018-0464 (from memory): a censored value decides
# only where its limit is on the same side; cutoff 10 with "<15" is indeterminate, cutoff 80 with ">200"
# is decided.
def test_censored_examples() -> None:
    device = Device(D("2.0"), D("10"))
    assert classify(Quantity("<", D(15)), "ug/g", device, 1, D(10)).side is Side.NEEDS_PERSON
    assert classify(Quantity(">", D(200)), "ug/g", device, 1, D(80)).side is Side.AT_OR_ABOVE
