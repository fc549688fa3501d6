"""Coverage counted by hand: who there is, who was invited lately, who has a usable result lately."""

from datetime import date, timedelta

import pytest

from oversight.filters import Asked
from oversight.services.coverage import coverage, coverage_count
from oversight.services.rollup import catch_up
from staff import clock
from tests import factories
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
SENT = date(2026, 3, 2)
ASKED = Asked(date(2026, 1, 1), date(2026, 12, 31))


# Source: counted by hand; people of the age band 50-74 alive and living in the area on the day (standards 3.5), invited
# within the interval of 24 months, screened within 30 months (England's coverage measure).
def test_coverage_counted_by_hand() -> None:
    # 1 invited and screened; 2 invited, no answer; 3 never invited
    worked.released(
        worked.came_back(worked.invited(SENT), SENT + timedelta(days=9)), SENT + timedelta(days=11)
    )
    worked.invited(SENT, sex="male")
    factories.a_person()
    # not counted: dead, left, too old, too young
    factories.a_person(deceased_on=date(2026, 6, 1), next_due_on=None)
    factories.a_person(left_area_on=date(2026, 6, 1), next_due_on=None)
    factories.a_person(birth_date=date(1951, 6, 17))  # turned 75 on the day
    factories.a_person(birth_date=date(1976, 6, 18))  # 50 tomorrow
    # at the edges, counted: 50 today, 74 until tomorrow
    factories.a_person(birth_date=date(1976, 6, 17))
    factories.a_person(birth_date=date(1951, 6, 18))
    # 4 took part in 2023: neither invited within 24 months nor screened within 30
    with clock.at(clock.moment(date(2023, 3, 6), 9)):
        old = worked.invited(date(2023, 3, 6))
    worked.released(worked.came_back(old, date(2023, 3, 20)), date(2023, 3, 22))
    catch_up()
    assert coverage_count() == 6
    assert coverage_count() == 6
    day, found = coverage(ASKED, "sex")
    assert day == clock.today()
    assert sum(one.people for one in found.values()) == 6
    assert sum(one.invited for one in found.values()) == 2
    assert sum(one.screened for one in found.values()) == 1
    assert set(coverage(ASKED, "age")[1]) == {"50", "60", "70"}
    assert coverage(Asked(date(2020, 1, 1), date(2020, 12, 31)), "area") == (None, {})
