"""Closed days and days without post, of a site or of the whole programme: looked up, added, taken out, and seeded from the
holidays of a country."""

import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypeVar

import holidays
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _
from holidays.registry import COUNTRIES

from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import NonWorkingDay, NoPostDay, Site, User

YEARS_AHEAD = 5
Day = TypeVar("Day", NonWorkingDay, NoPostDay)


@dataclass(frozen=True, slots=True)
class Seeded:
    """What seeding came to."""

    added: int
    known: int


def countries() -> list[tuple[str, str]]:
    """The countries and regions whose public holidays are known, by name: code (`PT`, a region `PT-20`) and words."""
    parts = holidays.list_supported_countries(include_aliases=False)
    known = sorted((spaced(names[0]), names[1]) for names in COUNTRIES.values() if names[1] in parts)
    return [
        (code, f"{name} ({code})")
        for name, country in known
        for code in (country, *(f"{country}-{part}" for part in parts[country]))
    ]


def spaced(name: str) -> str:
    """`"CaboVerde"` → `"Cabo Verde"`."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)


def closed_days(year: int, site: Site | None = None) -> "QuerySet[NonWorkingDay]":
    """The closed days of a year: of a site with those of the whole programme, or of the programme alone."""
    return _of_year(NonWorkingDay.objects.all(), year, site)


def closed_day_add(*, by: User, day: date, name: str, site: Site | None = None) -> NonWorkingDay:
    """Close a day from today on; a day that was worked stays as it was. Adding it again finds it."""
    with acting(by, reason="closed day added") as frame:
        _day_checked(day, frame.today)
        if not name.strip():
            raise RoundbookError("name_missing", _("Say what day it is."), field="name")
        found, _new = NonWorkingDay.objects.get_or_create(
            site=site, day=day, defaults={"name": name.strip()[:80]}
        )
    return found


def _day_checked(day: date, today: date) -> None:
    if day < today:
        raise RoundbookError(
            "day_past", _("Dates were counted by the calendar as it was. Choose today or later."), field="day"
        )
    if day.year > today.year + YEARS_AHEAD:
        raise RoundbookError("day_far", _("Choose a day within the next five years."), field="day")


def closed_day_remove(*, by: User, closed: NonWorkingDay) -> None:
    """Work on a day after all; only one that lies ahead."""
    with acting(by, reason="closed day taken out") as frame:
        if closed.day < frame.today:
            raise IllegalMove("day_past", _("That day is over; dates were counted by it."))
        closed.delete()


def holidays_seed(*, by: User, code: str, year: int, site: Site | None = None) -> Seeded:
    """Add the public holidays of a country or region that lie ahead in a year; weekends and known days are passed over."""
    if code not in dict(countries()):
        raise RoundbookError("country_unknown", _("Choose the country from the list."), field="code")
    country, _dash, part = code.partition("-")
    with acting(by, reason=f"holidays of {code} {year}") as frame:
        if not frame.today.year <= year <= frame.today.year + YEARS_AHEAD:
            raise RoundbookError("year_wrong", _("Choose this year or one of the next five."), field="year")
        given = holidays.country_holidays(country, subdiv=part or None, years=year)
        ahead = {day: name for day, name in given.items() if day >= frame.today and day.weekday() < 5}
        known = set(NonWorkingDay.objects.filter(site=site, day__in=ahead).values_list("day", flat=True))
        NonWorkingDay.objects.bulk_create(
            NonWorkingDay(site=site, day=day, name=name[:80])
            for day, name in sorted(ahead.items())
            if day not in known
        )
    return Seeded(len(ahead) - len(known), len(known))


def no_post_days(year: int, site: Site | None = None) -> "QuerySet[NoPostDay]":
    """The days of a year on which no post leaves: a site with those of the whole programme, or the programme alone."""
    return _of_year(NoPostDay.objects.all(), year, site)


def _of_year(days: "QuerySet[Day]", year: int, site: Site | None) -> "QuerySet[Day]":
    found = days.filter(day__year=year).select_related("site").order_by("day", "site")
    return found.filter(site=None) if site is None else found.filter(Q(site=None) | Q(site=site))


def no_post_add(*, by: User, day: date, name: str, site: Site | None = None) -> NoPostDay:
    """Say that no post leaves on a day, today or later, though the site may work. Saying it again finds it."""
    with acting(by, reason="day without post added") as frame:
        _day_checked(day, frame.today)
        if not name.strip():
            raise RoundbookError("name_missing", _("Say why no post leaves."), field="name")
        found, _new = NoPostDay.objects.get_or_create(
            site=site, day=day, defaults={"name": name.strip()[:80]}
        )
    return found


def no_post_remove(*, by: User, stopped: NoPostDay) -> None:
    """The post leaves on that day after all; only one that lies ahead, or today."""
    with acting(by, reason="day without post taken out") as frame:
        if stopped.day < frame.today:
            raise IllegalMove("day_past", _("That day is over; dates were counted by it."))
        stopped.delete()


def post_weekdays_set(*, by: User, site: Site, weekdays: list[int]) -> Site:
    """On which days of the week (0 = Monday) post leaves a site; at least one."""
    chosen = sorted({day for day in weekdays if 0 <= day <= 6})
    if not chosen:
        raise RoundbookError("weekdays_missing", _("Choose at least one day of the week."), field="weekdays")
    with acting(by, reason=f"post days of {site.code}"):
        site.post_weekdays = chosen
        site.save(update_fields=["post_weekdays"])
    return site


def post_leaves(day: date, site: Site) -> bool:
    """Whether post leaves a site on a day: one of its weekdays, worked there, and without a stop of the post."""
    here = Q(site=None) | Q(site=site)
    return (
        day.weekday() in site.post_weekdays
        and not NonWorkingDay.objects.filter(here, day=day).exists()
        and not NoPostDay.objects.filter(here, day=day).exists()
    )


def next_post_day(day: date, site: Site) -> date:
    """The first day from `day` on, itself among them, on which post leaves the site; at most a year ahead."""
    ahead = (day + timedelta(days=n) for n in range(366))
    return next((one for one in ahead if post_leaves(one, site)), day + timedelta(days=366))
