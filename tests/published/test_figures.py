"""Published participation and positivity tables through the code that makes every figure of the dashboard."""

import pytest

from oversight.figures import COHORT, PERIOD, figure_of

# Source: long-term programme table of the Veneto type (Zorzi et al., Gut 2018, from memory): all rounds,
# rounds 1-6; participation as printed, positivity calculated from the printed counts.
SCREENED = (441647, 123347, 96129, 78770, 63069, 50441, 29891)
INVITED = (526644, 178828, 107253, 83813, 66862, 53124, 36764)
HIGH = (18179, 7015, 3433, 2624, 2112, 1856, 1139)
PARTICIPATION = ("83.9", "69.0", "89.6", "94.0", "94.3", "94.9", "81.3")
POSITIVITY = ("4.1", "5.7", "3.6", "3.3", "3.3", "3.7", "3.8")


@pytest.mark.parametrize(("x", "n", "printed"), list(zip(SCREENED, INVITED, PARTICIPATION, strict=True)))
def test_participation(x: int, n: int, printed: str) -> None:
    figure = figure_of(x, n, basis=COHORT)
    assert str(figure.percent) == printed
    assert figure.low < x / n < figure.high
    assert not figure.too_few


@pytest.mark.parametrize(("x", "n", "printed"), list(zip(HIGH, SCREENED, POSITIVITY, strict=True)))
def test_positivity(x: int, n: int, printed: str) -> None:
    assert str(figure_of(x, n, basis=PERIOD).percent) == printed


# Source: national programme report of the Netherlands for 2014: 529,056 of 741,914, printed 71.3 % (71.2-71.4).
def test_participation_with_its_printed_interval() -> None:
    figure = figure_of(529056, 741914, basis=COHORT)
    assert (str(figure.percent), figure.low_percent, figure.high_percent) == ("71.3", 71.2, 71.4)


# Source: section 7.1 of the job: 730 of 11,840 is 6.2 % (5.7-6.6); 3 of 40 is 7.5 % (2.6-19.9), too few to judge.
def test_a_small_denominator_is_not_judged() -> None:
    large, small = figure_of(730, 11840, basis=PERIOD), figure_of(3, 40, basis=PERIOD)
    assert (str(large.percent), large.interval_words, large.too_few) == ("6.2", "5.7–6.6 %", False)
    assert (str(small.percent), small.interval_words, small.too_few) == ("7.5", "2.6–19.9 %", True)
