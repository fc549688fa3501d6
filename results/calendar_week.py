"""A week of a unit's calendar as it is shown: its lists, how full they are, what is kept back, who waits for a place."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import Count, Q, QuerySet

from results.calendar_board import board_read, kept_on
from results.calendar_rules import Needs, reserve_of, time_of, week_of
from results.models import Booking, ClinicList, ListPlace, Referral, ResultsPolicy, UnitCalendar
from staff import clock
from staff.models import Site


@dataclass(frozen=True)
class ListRow:
    """One list with its points."""

    list: ClinicList
    booked: int
    held: int
    people: int
    over: bool = False

    @property
    def free(self) -> int:
        """Points nobody has."""
        return self.list.points - self.booked - self.held


@dataclass(frozen=True)
class Week:
    """One week of one unit."""

    calendar: UnitCalendar
    monday: date
    rows: list[ListRow]

    @property
    def points(self) -> int:
        """Points of the lists that take place."""
        return sum(row.list.points for row in self.rows if row.list.cancelled_at is None)

    @property
    def left(self) -> int:
        """Points of the lists that take place and are not over."""
        return sum(row.list.points for row in self.rows if row.list.cancelled_at is None and not row.over)

    @property
    def free(self) -> int:
        """Free points of the lists that take place and are not over."""
        return sum(row.free for row in self.rows if row.list.cancelled_at is None and not row.over)

    @property
    def reserve(self) -> int:
        """Points kept back for urgent and repeat examinations."""
        return reserve_of(self.points, self.calendar.reserve_percent)


def week_read(calendar: UnitCalendar, monday: date) -> Week:
    """One week in two queries; cancelled lists are shown as such."""
    lists = list(
        ClinicList.objects.filter(
            site_id=calendar.site_id, day__range=(monday, monday + timedelta(days=6))
        ).order_by("day", "starts", "pk")
    )
    taken: dict[int, list[tuple[str, int]]] = {}
    places = ListPlace.objects.filter(list__in=[one.pk for one in lists], status__in=ListPlace.TAKEN)
    for list_id, status, points in places.values_list("list_id", "status", "points"):
        taken.setdefault(list_id, []).append((status, points.upper - points.lower))
    rows, now = [], clock.now()
    for one in lists:
        here = taken.get(one.pk, [])
        held = sum(size for status, size in here if status == ListPlace.Status.HELD)
        booked = sum(size for _status, size in here) - held
        over = _ends(one) <= now
        rows.append(ListRow(one, booked, held, len(here), over))
    return Week(calendar, monday, rows)


def _ends(one: ClinicList) -> datetime:
    """The moment a list ends."""
    return clock.moment(one.day, one.starts.hour, one.starts.minute) + timedelta(
        minutes=one.points * one.minutes
    )


@dataclass(frozen=True)
class PlaceRow:
    """One place of a list, with its time."""

    place: ListPlace
    at: time
    until: time


def places_of(one: ClinicList) -> list[PlaceRow]:
    """Who is on a list, by time."""
    found = one.places.filter(status__in=ListPlace.TAKEN).select_related("referral__person", "booking")
    rows = [
        PlaceRow(
            place, place.booking.time if place.booking else time_of(one.starts, one.minutes, place.points.lower),
            time_of(one.starts, one.minutes, place.points.upper),
        )
        for place in found
    ]  # fmt: skip
    return sorted(rows, key=lambda row: (row.place.points.lower, row.place.pk))


@dataclass(frozen=True)
class Capacity:
    """How what is free compares with who waits: the manager's question (job 2.14, 8)."""

    waiting: int
    first_free: date | None
    first_site: Site | None
    past_promise: int
    free_points: int
    reach: date


def capacity(today: date, policy: ResultsPolicy) -> Capacity:
    """People who need a date, the first ordinary place anywhere, and for how many it lies past their promise."""
    board = board_read(today)
    first = next(iter(board.choices(Needs(), area_id=None)), None)
    waiting = Referral.objects.filter(state__in=["to_book", "requested"])
    promise = timedelta(days=policy.examination_days)
    limit = (first.list.day if first else today + timedelta(days=84)) - promise
    found = waiting.aggregate(n=Count("pk"), late=Count("pk", filter=Q(opened_on__lt=limit)))
    free = sum(row.points for row in board.lists if row.day > today) - sum(
        end - start for row in board.lists if row.day > today for start, end in board.taken.get(row.pk, [])
    )
    return Capacity(
        found["n"], first.list.day if first else None, first.list.site if first else None, found["late"], free,
        max((one.day for one in board.lists), default=today),
    )  # fmt: skip


@dataclass(frozen=True)
class WeekSum:
    """One week of one unit in numbers."""

    calendar: UnitCalendar
    monday: date
    lists: int
    cancelled: int
    points: int
    taken: int

    @property
    def free(self) -> int:
        """Points nobody has."""
        return self.points - self.taken

    @property
    def reserve(self) -> int:
        """Points kept back for urgent and repeat examinations."""
        return reserve_of(self.points, self.calendar.reserve_percent)


def weeks_ahead(kept: Sequence[UnitCalendar], today: date, weeks: int) -> list[WeekSum]:
    """So many weeks of these units from this week on, in two queries."""
    first = week_of(today)
    found = ClinicList.objects.filter(
        site__in=[one.site_id for one in kept], day__range=(first, first + timedelta(days=7 * weeks - 1))
    )
    lists = list(found)
    taken: Counter[int] = Counter()
    places = ListPlace.objects.filter(list__in=lists, status__in=ListPlace.TAKEN)
    for list_id, points in places.values_list("list_id", "points"):
        taken[list_id] += points.upper - points.lower
    rows = []
    for monday in [first + timedelta(days=7 * n) for n in range(weeks)]:
        for calendar in kept:
            here = [one for one in lists if one.site_id == calendar.site_id and week_of(one.day) == monday]
            standing = [one for one in here if one.cancelled_at is None]
            rows.append(
                WeekSum(
                    calendar, monday, len(standing), len(here) - len(standing), sum(one.points for one in standing),
                    sum(taken[one.pk] for one in standing),
                )
            )  # fmt: skip
    return rows


def calendars_on(day: date) -> list[UnitCalendar]:
    """The calendars kept on a day or later."""
    found = UnitCalendar.objects.filter(kept_on(day) | Q(kept_from__gt=day))
    return list(found.select_related("site").order_by("site__name"))


def unconfirmed(today: date) -> QuerySet[Booking]:
    """Bookings that the person has not confirmed and whose day of asking has come: it is the referral's next date."""
    return (
        Booking.objects.filter(
            status=Booking.Status.BOOKED, confirmed_on__isnull=True, day__gt=today, referral__state="booked",
            referral__due_on__lte=today,
        )
        .select_related("referral__person", "referral__owner", "site")
        .order_by("day", "time", "pk")
    )  # fmt: skip
