"""Two who tell a figure of the same month at the same moment, each with a connection of its own: one is kept."""

from datetime import date

import pytest

from oversight.models import ToldFigure
from oversight.rehearsal.setting import region_lay_down
from oversight.services.told import Kind, figure_tell
from staff import clock
from tests import cast
from tests.conftest import FIRST_DAY
from tests.results.test_hands_at_once import at_once


@pytest.mark.usefixtures("fresh_db")
def test_two_who_tell_the_same_month_at_once_keep_one() -> None:
    region_lay_down(first_day=FIRST_DAY)
    month = date(2026, 4, 1)

    def tell() -> object:
        return bool(
            figure_tell(
                by=cast.member(cast.MANAGER), kind=Kind.CALLS, since=month, until=month, counted=1, out_of=2, source="Exchange"
            )
        )  # fmt: skip

    answers = at_once([tell] * 4, at=clock.moment(date(2026, 6, 17), 12))
    assert sorted(map(str, answers)) == ["True", "told_already", "told_already", "told_already"]
    assert ToldFigure.objects.count() == 1
