"""Builders of the calendar we keep ourselves: a protocol by which we book, a unit, its lists, and people to place."""

from datetime import date, time, timedelta

from results.calendar_rules import Needs
from results.models import ClinicList, Referral, ResultsPolicy, TravelTime
from results.services import calendar
from staff import clock
from staff.models import Site
from tests.results import follow_up as f

MORNING = time(8, 30)


def we_book() -> None:
    """The protocol in force says that we book."""
    ResultsPolicy.objects.update(who_books="us")


def a_kept_unit(code: str = "NCU", **facts: int) -> Site:
    """A unit whose calendar we keep from today, with nothing kept back unless said otherwise."""
    we_book()
    site = Site.objects.get(code=code)
    calendar.calendar_begin(
        by=f.kaddrin(), site=site, kept_from=clock.today(), **{"reserve_percent": 0} | facts
    )
    return site


def lists(
    site: Site, days: int = 1, *, since: date | None = None, points: int = 6, name: str = "Morning list", **offers: bool
) -> list[ClinicList]:  # fmt: skip
    """The same list on so many working days from tomorrow (or a day) on; 6 points are three examinations."""
    first = since or clock.today() + timedelta(days=1)
    shape = calendar.Shape(name=name, starts=MORNING, points=points, minutes=20, offers=Needs(**offers))
    last = first
    while sum(1 for n in range((last - first).days + 1) if (first + timedelta(days=n)).weekday() < 5) < days:
        last += timedelta(days=1)
    calendar.lists_lay_down(
        by=f.kaddrin(), site=site, since=first, until=last, weekdays=range(5), shape=shape
    )  # fmt: skip
    return list(ClinicList.objects.filter(site=site, name=name, day__gte=first).order_by("day"))


def to_book(**facts: object) -> Referral:
    """Somebody who is assessed and needs a date."""
    return f.a_referral("to_book", **facts)


def travel(site: Site, area: str, minutes: int) -> None:
    """Minutes from an area to a unit."""
    TravelTime.objects.filter(site=site, area__code=area).update(minutes=minutes)
