"""Closed days: seeded from a country's holidays, added and taken out ahead, and what the clocks make of them.

The holidays of Portugal in 2026 are public (law: Código do Trabalho, article 234): 5 October and 1, 8, 25 December are on working
days after the demo day; 15 August and 1 November fall on a weekend.
"""

from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from staff.errors import IllegalMove, RoundbookError
from staff.models import NonWorkingDay, NoPostDay, Site, User
from staff.services.calendars import (
    closed_day_add,
    closed_day_remove,
    closed_days,
    countries,
    holidays_seed,
)
from tests import cast

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]


@pytest.fixture
def by() -> User:
    return cast.member(cast.ADMINISTRATOR)


def test_the_holidays_of_a_country_are_added_once_ahead_and_on_working_days(by: User) -> None:
    site = Site.objects.get(code="QHC")
    done = holidays_seed(by=by, code="PT", year=2026, site=site)
    days = list(NonWorkingDay.objects.filter(site=site).values_list("day", flat=True))
    assert days == [date(2026, 10, 5), date(2026, 12, 1), date(2026, 12, 8), date(2026, 12, 25)]
    assert (done.added, done.known) == (4, 0)
    again = holidays_seed(by=by, code="PT", year=2026, site=site)
    assert (again.added, again.known) == (0, 4)
    assert not NonWorkingDay.objects.filter(site=Site.objects.get(code="NMC")).exists()
    assert set(closed_days(2026, site).values_list("day", flat=True)) > set(days)


@pytest.mark.parametrize(
    ("code", "year", "error"),
    [("XX", 2026, "country_unknown"), ("PT", 2025, "year_wrong"), ("PT", 2032, "year_wrong")],
)
def test_what_cannot_be_seeded_is_refused(by: User, code: str, year: int, error: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        holidays_seed(by=by, code=code, year=year)
    assert refused.value.code == error


def test_a_day_is_closed_and_opened_ahead_only(by: User) -> None:
    closed = closed_day_add(by=by, day=TODAY, name="stocktaking")
    assert closed_day_add(by=by, day=TODAY, name="again") == closed
    for day, name in ((date(2026, 6, 16), "x"), (date(2032, 1, 2), "x"), (date(2026, 7, 1), " ")):
        with pytest.raises(RoundbookError):
            closed_day_add(by=by, day=day, name=name)
    closed_day_remove(by=by, closed=closed)
    assert not NonWorkingDay.objects.filter(day=TODAY).exists()
    past = NonWorkingDay.objects.create(day=date(2026, 5, 1), name="over")
    with pytest.raises(IllegalMove):
        closed_day_remove(by=by, closed=past)


def test_the_calendar_is_kept_at_its_page(signed_in: SignIn) -> None:
    client, at = signed_in(cast.ADMINISTRATOR), reverse("staff:calendar")
    done = client.post(at, {"day": "2026-07-20", "name": "Harbour feast", "site": ""}, follow=True)
    assert "Harbour feast" in done.text
    seeded = client.post(at, {"code": "PT", "year": "2026", "site": ""}, follow=True)
    assert "days were added" in seeded.text
    wrong = client.post(at, {"day": "2026-01-20", "name": "x", "site": ""})
    assert (wrong.status_code, "Choose today or later." in wrong.text) == (422, True)
    day = NonWorkingDay.objects.get(day=date(2026, 7, 20))
    opened = client.post(reverse("staff:calendar-open", args=[day.pk]), follow=True)
    assert "The day is worked after all." in opened.text
    assert "Harbour feast" not in opened.text
    assert client.get(at, {"year": "abcd", "site": "nowhere"}).status_code == 200
    assert signed_in(cast.PHONE_DESK).get(at).status_code == 403


@pytest.mark.parametrize("year", ["0000", "0001", "9999", "1999", "٠٠٠٠", "2026-"])
def test_a_year_that_no_calendar_holds_shows_this_year(signed_in: SignIn, year: str) -> None:
    page = signed_in(cast.ADMINISTRATOR).get(reverse("staff:calendar"), {"year": year})
    assert (page.status_code, page.context["year"]) == (200, 2026)


def test_after_a_change_the_page_shows_the_year_and_site_of_the_day(signed_in: SignIn) -> None:
    client, at = signed_in(cast.ADMINISTRATOR), reverse("staff:calendar")
    site = Site.objects.get(code="QHC")
    closed = client.post(at, {"day": "2031-03-03", "name": "Quay feast", "site": site.pk}, follow=True)
    assert "Quay feast" in closed.text
    assert f'<a href="?year=2031&amp;site=QHC" aria-current="true">{site.name}</a>' in closed.text
    assert '<a href="?year=2031&amp;site=QHC" aria-current="true">2031</a>' in closed.text
    assert closed.text.count('aria-current="true"') == 2
    stopped = client.post(at, {"no_post": "2027-03-03", "name": "strike ahead", "site": ""}, follow=True)
    assert "strike ahead" in stopped.text
    seeded = client.post(at, {"code": "PT", "year": "2028", "site": ""}, follow=True)
    assert seeded.context["year"] == 2028
    opened = client.post(
        reverse("staff:calendar-open", args=[NonWorkingDay.objects.get(name="Quay feast").pk]), follow=True
    )
    assert (opened.context["year"], opened.context["site"]) == (2031, site)
    again = client.post(
        reverse("staff:calendar-post", args=[NoPostDay.objects.get(name="strike ahead").pk]), follow=True
    )
    assert (again.context["year"], again.context["site"]) == (2027, None)


def test_a_day_entered_again_under_another_name_is_said_to_keep_its_name(signed_in: SignIn) -> None:
    client, at = signed_in(cast.ADMINISTRATOR), reverse("staff:calendar")
    for day in ("day", "no_post"):
        client.post(at, {day: "2026-07-20", "name": "Harbour feast"})
        same = client.post(at, {day: "2026-07-20", "name": "Harbour feast"}, follow=True)
        assert "stays" not in same.text
        other = client.post(at, {day: "2026-07-20", "name": "Stocktaking"}, follow=True)
        assert "20 July 2026 stands here already as “Harbour feast”, and that name stays." in other.text
        assert "The day is closed." not in other.text
        assert "No post leaves on that day." not in other.text


def test_countries_are_offered_by_name_and_each_once() -> None:
    known = countries()
    assert len({code for code, _words in known}) == len(known)
    named = dict(known)
    assert named["PT"] == "Portugal (PT)"
    assert named["PT-20"] == "Portugal (PT-20)"
    assert named["CV"] == "Cabo Verde (CV)"
