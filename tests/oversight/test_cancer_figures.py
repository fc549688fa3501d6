"""Cancers by how they were found, stage, interval rate and time to treatment, and surveillance on time: counted by hand.

Definitions: an interval cancer is one diagnosed after a result below the cutoff and before the next test is due (Sanduleanu et
al., Gut 2015;64:1257); sensitivity of a programme is screen-detected over screen-detected and interval cancers; treatment within
31 days is parameter 9 of the European guidelines 2010 (from memory).
"""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse
from scipy import stats

from oversight.figures import PER_10000_YEARS, figure_of
from oversight.filters import Asked
from oversight.pages.cancers import _rate, cancers
from oversight.services.cancers import cancer_counts
from oversight.services.rollup import catch_up
from oversight.services.surveillance import surveillance_on_time
from results.cancers import CancerClass
from results.models import Examination, NextStep
from results.services.cancers import cancer_report
from results.services.surveillance_take_up import surveillance_take_up_now
from screening.models import Person
from staff import clock
from staff.acting import acting
from tests import cast, factories
from tests.oversight import worked
from tests.results.test_surveillance_take_up import a_plan

pytestmark = pytest.mark.usefixtures("region")

YEAR_2027 = Asked(date(2027, 1, 1), date(2027, 12, 31))
TESTED = date(2026, 1, 12)
CUT = date(2028, 2, 1)


def below(sex: str) -> Person:
    """Somebody whose result below the cutoff was released on 12 January 2026."""
    round_ = worked.invited(date(2025, 12, 22), sex=sex)
    return worked.released(worked.came_back(round_, date(2026, 1, 9)), TESTED).person


def reported(
    person: Person, day: date, stage: str = "", treated: date | None = None, origin: str = "bowel"
) -> None:
    """A cancer of this person, entered when everything is known."""
    cancer_report(
        by=cast.member(cast.NURSE), person=person, diagnosed_on=day, stage=stage, treatment_on=treated, origin=origin,
        source="cancer registry", document="CR-1",
    )  # fmt: skip


@pytest.fixture
def eight_people(region: object) -> None:
    """Four below (two women, two men), two at or above with a cancer found, one never tested, one with another organ's."""
    women, men = [below("female"), below("female")], [below("male"), below("male")]
    found = []
    for day in (date(2027, 1, 8), date(2027, 3, 1)):
        back = worked.came_back(worked.invited(date(2026, 11, 2)), date(2026, 12, 1))
        result = worked.released(back, date(2026, 12, 7), high=True)
        with clock.at(clock.moment(day, 9)), acting(cast.member(cast.NURSE)):
            worked.examined(result, day, finding="cancer")
        found.append(result.person)
    with clock.at(clock.moment(CUT, 9)):
        never = factories.a_person(sex="female")
        reported(women[0], date(2027, 1, 5), "II", date(2027, 1, 25))
        reported(men[0], date(2027, 6, 1), "IV", date(2027, 7, 11))
        reported(men[1], date(2026, 12, 31), "I")
        reported(found[0], date(2027, 1, 8), "I", date(2027, 2, 8))
        reported(never, date(2027, 5, 1), "III")
        reported(women[1], date(2027, 5, 1), "II", origin="other")
        reported(women[0], date(2027, 1, 5), "I", date(2027, 1, 25))
        catch_up()


@pytest.mark.usefixtures("eight_people")
def test_cancers_of_2027_counted_by_hand() -> None:
    with clock.at(clock.moment(CUT, 9)):
        counts = cancer_counts(YEAR_2027)
    assert counts.found == 2, "both found at an examination, one of them not reported yet"
    assert counts.interval == 2, "the woman of January and the man of June; December 2026 is outside"
    stages = {
        kind: dict(one) for kind, one in counts.by_class.items() if kind is not CancerClass.OTHER_ORIGIN
    }
    assert stages == {
        CancerClass.AFTER_BELOW: {"I": 1, "IV": 1}, CancerClass.SCREEN_DETECTED: {"I": 1},
        CancerClass.NEVER_TESTED: {"III": 1},
    }, "the last report of a person counts: hers says stage I now"  # fmt: skip
    assert counts.waits == [20, 31, 40]
    assert counts.untreated == 0


@pytest.mark.usefixtures("eight_people")
def test_person_years_run_from_the_middle_of_the_month_until_the_next_test_is_due() -> None:
    # Results of January 2026 are followed from 15 January 2026 to 15 January 2028: 14 days of the first year and 351 of the
    # second lie in 2027. Two women and two men.
    with clock.at(clock.moment(CUT, 9)):
        counts = cancer_counts(YEAR_2027)
    assert [(one.sex, one.year, one.cancers, round(one.person_years * 365.25)) for one in counts.missed] == [
        ("female", 1, 1, 28), ("female", 2, 0, 702), ("male", 1, 0, 28), ("male", 2, 1, 702),
    ]  # fmt: skip


@pytest.mark.usefixtures("eight_people")
def test_a_filter_by_sex_takes_both_sides() -> None:
    with clock.at(clock.moment(CUT, 9)):
        counts = cancer_counts(Asked(YEAR_2027.since, YEAR_2027.until, only={"sex": "male"}))
    assert (counts.found, counts.interval) == (0, 1)
    assert {one.sex for one in counts.missed} == {"male"}


@pytest.mark.usefixtures("eight_people")
def test_the_page_says_every_share_with_its_counts(signed_in: Callable[[str], Client]) -> None:
    with clock.at(clock.moment(CUT, 9)):
        for block in cancers(YEAR_2027).blocks:
            assert {len(row) for row in (*block.rows, block.foot or block.columns)} == {len(block.columns)}, (
                block.key
            )
        page = signed_in(cast.MANAGER)
        said = page.get(
            reverse("oversight:figures", args=["cancers"]) + "?" + YEAR_2027.query
        ).content.decode()
    assert "programme sensitivity" in said
    assert "too few to judge" in said, "four person-years"


# Source: the exact (Poisson) limits by the chi-squared quantiles, SciPy.
def test_a_rate_has_its_exact_limits() -> None:
    years = 1460.0
    low, high = stats.chi2.ppf(0.025, 2 * 2) / 2, stats.chi2.ppf(0.975, 2 * 3) / 2
    words = f"{2 * 1e4 / years:.2f} ({low * 1e4 / years:.2f}–{high * 1e4 / years:.2f})"
    assert _rate(2, years) == [words]
    figure = figure_of(2, 1460, basis="period", unit=PER_10000_YEARS)
    assert f"{figure.value} ({figure.interval_words})" == words


def taken_up(plan: NextStep, day: date) -> None:
    """The planned examination is done on a day, as a referral of its own."""
    with clock.at(clock.moment(day, 9)):
        referral = surveillance_take_up_now(by=cast.member(cast.COORDINATOR), plan=plan)
        with acting(cast.member(cast.NURSE)):
            Examination.objects.create(
                referral=referral, day=day, complete=True, prep_adequate=True, finding="nothing", report_document="R2",
                reported_on=day, entered_by=cast.member(cast.NURSE),
            )  # fmt: skip


def test_surveillance_three_months_around_the_day_is_in_time() -> None:
    due = date(2027, 6, 1)
    plans = [a_plan(due) for _ in range(5)]
    for plan, day in zip(
        plans, (date(2027, 3, 1), date(2027, 9, 1), date(2027, 9, 2), date(2027, 2, 28)), strict=False
    ):
        taken_up(plan, day)
    a_plan(date(2026, 12, 31))
    with clock.at(clock.moment(due + timedelta(days=100), 9)):
        found = surveillance_on_time(YEAR_2027)
    assert (found.in_time, found.otherwise, found.overdue, found.waiting, found.due) == (2, 2, 1, 0, 5)
    with clock.at(clock.moment(due + timedelta(days=20), 9)):
        assert surveillance_on_time(YEAR_2027).waiting == 1
