"""The free places on the lists we keep, read once and then reckoned in memory: for the finder and for moving many."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, time, timedelta

from django.db.models import Q

from results.calendar_rules import (
    FAR_MINUTES,
    Needs,
    Points,
    first_gap,
    free_points,
    points_needed,
    reserve_allows,
    reserve_of,
    time_of,
    week_of,
)
from results.models import ClinicList, ListPlace, TravelTime, UnitCalendar

REACH_DAYS = 84
"""How far ahead a place is looked for."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One place that can be had."""

    list: ClinicList
    points: Points
    at: time
    travel: int | None

    @property
    def far(self) -> bool:
        """Whether the way is long enough to point it out."""
        return self.travel is not None and self.travel > FAR_MINUTES


@dataclass
class Board:
    """Lists of the kept units in a span of days with what is taken on them; `take` marks a place as taken."""

    today: date
    calendars: dict[int, UnitCalendar]
    lists: list[ClinicList]
    taken: dict[int, list[Points]]
    travel: Mapping[tuple[int, int], int]
    _free: dict[tuple[int, date], int] = field(default_factory=dict)
    _total: dict[tuple[int, date], int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for one in self.lists:
            key = (one.site_id, week_of(one.day))
            self._total[key] = self._total.get(key, 0) + one.points
            self._free[key] = self._free.get(key, 0) + free_points(one.points, self.taken.get(one.pk, []))

    def reserve(self, one: ClinicList) -> int:
        """Points kept back in the week of this list."""
        total = self._total[one.site_id, week_of(one.day)]
        return reserve_of(total, self.calendars[one.site_id].reserve_percent)

    def size(self, one: ClinicList, needs: Needs) -> int:
        """Points an examination takes on this list."""
        calendar = self.calendars[one.site_id]
        return points_needed(needs, each=calendar.points_each, more=calendar.points_more)

    def gap(self, one: ClinicList, needs: Needs, *, urgent: bool, at: int | None = None) -> Points | None:
        """The points that can be had on this list, or None."""
        size = self.size(one, needs)
        found = first_gap(one.points, self.taken.get(one.pk, []), size, at=at)
        allowed = found is not None and reserve_allows(
            free=self._free[one.site_id, week_of(one.day)], size=size, reserve=self.reserve(one), urgent=urgent,
            days_ahead=(one.day - self.today).days,
        )  # fmt: skip
        return found if allowed else None

    def choices(
        self, needs: Needs, *, area_id: int | None, urgent: bool = False, since: date | None = None,
        until: date | None = None, site_id: int | None = None, most_minutes: int | None = None,
    ) -> Iterator[Choice]:  # fmt: skip
        """Fitting places, one a list: the earliest day first, then the shortest way, then the list that wastes least, then the time."""
        found, first = [], max(since or self.today, self.today + timedelta(days=1))
        for one in self.lists:
            way = self.travel.get((area_id or 0, one.site_id))
            if one.day < first or (until and one.day > until) or (site_id and one.site_id != site_id):
                continue
            if most_minutes is not None and way is not None and way > most_minutes:
                continue
            if not needs.met_by(Needs(one.theatre, one.bed, one.interpreter)):
                continue
            points = self.gap(one, needs, urgent=urgent)
            if points is not None:
                found.append(Choice(one, points, time_of(one.starts, one.minutes, points[0]), way))
        yield from sorted(
            found,
            key=lambda c: (
                c.list.day,
                10_000 if c.travel is None else c.travel,
                _spare(c.list, needs),
                c.at,
                c.list.pk,
            ),
        )

    def take(self, choice: Choice) -> None:
        """Reckon this place as taken."""
        start, end = choice.points
        self.taken.setdefault(choice.list.pk, []).append(choice.points)
        self._free[choice.list.site_id, week_of(choice.list.day)] -= end - start


def _spare(one: ClinicList, needs: Needs) -> int:
    """How much of what a list offers this person does not need: the theatre is kept for whoever needs it."""
    return (
        (one.theatre and not needs.theatre)
        + (one.bed and not needs.bed)
        + (one.interpreter and not needs.interpreter)
    )


def board_read(
    today: date, *, since: date | None = None, until: date | None = None, site_id: int | None = None
) -> Board:
    """The board from a day (tomorrow if none is given) up to another, in four queries; whole weeks, for the reserve."""
    first = since or today + timedelta(days=1)
    last = until or today + timedelta(days=REACH_DAYS)
    calendars = UnitCalendar.objects.select_related("site").filter(kept_from__lte=last)
    kept = {one.site_id: one for one in (calendars.filter(site_id=site_id) if site_id else calendars)}
    lists = [
        one
        for one in ClinicList.objects.filter(
            site_id__in=kept, day__range=(week_of(first), week_of(last) + timedelta(days=6)), cancelled_at__isnull=True
        ).select_related("site")
        if one.day >= kept[one.site_id].kept_from
        and one.day < (kept[one.site_id].kept_until or date.max)
    ]  # fmt: skip
    taken: dict[int, list[Points]] = defaultdict(list)
    places = ListPlace.objects.filter(list_id__in=[one.pk for one in lists], status__in=ListPlace.TAKEN)
    for list_id, points in places.values_list("list_id", "points"):
        taken[list_id].append((points.lower, points.upper))
    travel = {
        (area, site): minutes
        for area, site, minutes in TravelTime.objects.filter(site_id__in=kept).values_list(
            "area_id", "site_id", "minutes"
        )
    }
    return Board(today, kept, lists, dict(taken), travel)


def units_kept(day: date) -> dict[int, UnitCalendar]:
    """The units whose calendar we keep on a day, by site."""
    found = UnitCalendar.objects.filter(kept_on(day)).select_related("site").order_by("site__name")
    return {one.site_id: one for one in found}


def kept_on(day: date) -> Q:
    """The calendars kept on a day."""
    return Q(kept_from__lte=day) & (Q(kept_until__isnull=True) | Q(kept_until__gt=day))
