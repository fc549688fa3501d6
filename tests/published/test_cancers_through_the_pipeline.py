"""Printed shares of cancers found, missed and staged, reproduced from as many reports, results and examinations as rows."""

from collections.abc import Iterable
from datetime import date, timedelta
from fractions import Fraction

import pytest
from django.db import connection
from statsmodels.stats.proportion import proportion_confint

from oversight.figures import Figure
from oversight.filters import Asked
from oversight.services.figures import figures
from results.services.cancers import cancer_report
from results.units import round_half_up
from screening.models import Person
from staff import clock
from tests import cast
from tests.oversight import worked
from tests.published.conftest import Tell

SENT = date(2024, 3, 4)
YEAR = Asked(date(2024, 3, 1), date(2025, 3, 31))
LATER = date(2029, 3, 1)


def below(people: int) -> list[Person]:
    """So many people read below the cutoff on 18 March 2024."""
    read = SENT + timedelta(days=14)
    return [worked.released(worked.came_back(worked.invited(SENT), read), read).person for _ in range(people)]


def found(people: int) -> list[Person]:
    """So many people at or above, in whom a cancer was found on 15 April 2024."""
    read, who = SENT + timedelta(days=14), []
    for _ in range(people):
        result = worked.released(worked.came_back(worked.invited(SENT), read), read, high=True)
        worked.examined(result, SENT + timedelta(days=42), finding="cancer")
        who.append(result.person)
    return who


def reported(people: Iterable[Person], day: date, stage: str = "") -> None:
    """A cancer of each, diagnosed on a day."""
    with clock.at(clock.moment(date(2026, 3, 1), 9)):
        for person in people:
            cancer_report(
                by=cast.member(cast.NURSE), person=person, diagnosed_on=day, stage=stage, source="cancer registry",
                document="CR",
            )  # fmt: skip


def now(key: str) -> Figure:
    with clock.at(clock.moment(LATER, 12)):
        return figures(YEAR, [key]).total.figures[key]


# Source: interval-cancer proportion of the Slovenian programme, as the standards list it (4.10): 493 screen-detected and 79
# interval cancers, printed 13.8 %; Wilson 11.22-16.88 calculated.
def test_interval_cancer_proportion_of_slovenia(told: Tell) -> None:
    reported(below(79), date(2024, 12, 2))
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM oversight_mark")
    told({"tested": 600, "high": 500, "examined": 500, "cancer": 493})
    one = now("interval_proportion")
    assert (one.numerator, one.denominator, str(one.value)) == (79, 572, "13.8")
    low, high = one.limits or (0.0, 0.0)
    assert (round(low, 2), round(high, 2)) == (11.22, 16.88)
    assert (low, high) == pytest.approx([100 * v for v in proportion_confint(79, 572, method="wilson")])
    assert now("sensitivity").numerator == 493
    assert one.maturity.complete


# Source: cutoff study in a Dutch trial population (4.3): of 28 cancers 19 at stage I or II, printed 68 %.
@pytest.mark.usefixtures("region")
def test_stages_of_the_dutch_trial() -> None:
    who = found(28)
    for stage, part in (("I", who[:12]), ("II", who[12:19]), ("III", who[19:26]), ("IV", who[26:])):
        reported(part, SENT + timedelta(days=42), stage)
    one = now("early_found")
    assert (one.numerator, one.denominator) == (19, 28)
    assert str(round_half_up(Fraction(100 * one.numerator, one.denominator), 0)) == "68"
    assert one.too_few
