"""Keeping a unit's calendar: beginning and ending it, laying lists down, and taking standing bookings in."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, time, timedelta

from django.db.backends.postgresql.psycopg_any import NumericRange
from django.utils.translation import gettext_lazy as _

from results.calendar_board import board_read
from results.calendar_rules import Needs, ends_the_same_day, time_of
from results.models import Booking, ClinicList, ListPlace, UnitCalendar
from results.services.places import calendar_locked
from results.services.referrals_frame import FOLLOWERS, results_policy_on
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import NonWorkingDay, Site, User

MOST_DAYS = 370
NOTHING = Needs()


@dataclass(frozen=True, slots=True)
class Shape:
    """What every list laid down at once has in common."""

    name: str
    starts: time
    points: int = 12
    minutes: int = 20
    offers: Needs = NOTHING


def calendar_begin(
    *, by: User, site: Site, kept_from: date, reserve_percent: int = 6, points_each: int = 2, points_more: int = 1
) -> UnitCalendar:  # fmt: skip
    """Begin to keep a unit's calendar from a day on; only under a protocol by which we book (R17)."""
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        if results_policy_on(frame.today).who_books != "us":
            raise RoundbookError(
                "units_book",
                _("Under the protocol in force the units book. It must be changed first, by two people."),
            )
        if not site.does_colonoscopy:
            raise RoundbookError("not_a_unit", _("%(site)s does no examinations.") % {"site": site.name})
        if UnitCalendar.objects.filter(site=site).exists():
            raise RoundbookError(
                "kept_before", _("We keep the calendar of %(site)s already.") % {"site": site.name}
            )
        return UnitCalendar.objects.create(
            site=site, kept_from=kept_from, reserve_percent=reserve_percent, points_each=points_each,
            points_more=points_more, begun_by=by,
        )  # fmt: skip


def calendar_end(*, by: User, site: Site, until: date) -> UnitCalendar:
    """From a day on the unit gives dates itself again; refused while somebody has a place on a later list."""
    require_role(by, *FOLLOWERS)
    with acting(by):
        kept = calendar_locked(site.pk)
        places = ListPlace.objects.filter(
            list__site=site, list__day__gte=until, status__in=ListPlace.LIVE
        ).count()
        if places or until <= kept.kept_from:
            raise RoundbookError(
                "places_stand",
                _(
                    "%(n)s people have places on lists from that day on. Move them first, or choose a later day."
                )
                % {"n": places},
            )
        kept.kept_until = until
        kept.save(update_fields=["kept_until"])
    return kept


def lists_lay_down(
    *, by: User, site: Site, since: date, until: date, weekdays: Collection[int], shape: Shape
) -> int:
    """Lay the same list down on these weekdays of a span, but not on closed days and not twice; returns how many."""
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        kept = calendar_locked(site.pk)
        _checked(since, until, frame.today, shape)
        closed = set(
            NonWorkingDay.objects.filter(day__range=(since, until), site__isnull=True).values_list("day", flat=True)
        ) | set(NonWorkingDay.objects.filter(day__range=(since, until), site=site).values_list("day", flat=True))  # fmt: skip
        days = [since + timedelta(days=n) for n in range((until - since).days + 1)]
        there = set(
            ClinicList.objects.filter(
                site=site, day__range=(since, until), starts=shape.starts, name=shape.name, cancelled_at__isnull=True
            ).values_list("day", flat=True)
        )  # fmt: skip
        wanted = [
            day for day in days
            if day.weekday() in weekdays and day not in closed and day not in there
            and kept.kept_from <= day < (kept.kept_until or date.max)
        ]  # fmt: skip
        made = ClinicList.objects.bulk_create(
            ClinicList(
                site=site, day=day, starts=shape.starts, name=shape.name, points=shape.points, minutes=shape.minutes,
                theatre=shape.offers.theatre, bed=shape.offers.bed, interpreter=shape.offers.interpreter, laid_down_by=by,
            )
            for day in wanted
        )  # fmt: skip
    return len(made)


def _checked(since: date, until: date, today: date, shape: Shape) -> None:
    if since < today or until < since or (until - since).days > MOST_DAYS:
        raise RoundbookError(
            "span_out_of_reach",
            _("Choose a span from today on, of at most a year, that ends after it begins."),
        )
    if not shape.name.strip():
        raise RoundbookError("name_missing", _("Give the list a name, such as “Morning list”."))
    if not ends_the_same_day(shape.starts, shape.minutes, shape.points):
        raise RoundbookError("list_too_long", _("A list ends on its day. Choose fewer points or minutes."))


def standing_bookings_take_in(*, by: User, site: Site) -> tuple[int, int]:
    """Give bookings that the unit made before we kept its calendar their place on our lists; their times stay as told.

    Each takes the points around its time, or the first free ones of a list of that day. Returns how many were taken in
    and how many stand outside, for which there is no list or no room: the calendar shows them. Safe to run twice.
    """
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        calendar_locked(site.pk)
        standing = list(bookings_outside(site, frame.today))
        if not standing:
            return 0, 0
        board = board_read(
            frame.today, since=min(b.day for b in standing), until=max(b.day for b in standing), site_id=site.pk
        )  # fmt: skip
        made = []
        for booking in standing:
            for one in [one for one in board.lists if one.day == booking.day]:
                points = board.gap(one, Needs(), urgent=True, at=_point_at(one, booking.time)) or board.gap(
                    one, Needs(), urgent=True
                )
                if points is not None:
                    board.taken.setdefault(one.pk, []).append(points)
                    made.append(
                        ListPlace(
                            list=one, referral_id=booking.referral_id, points=NumericRange(*points), booking=booking,
                            status=ListPlace.Status.BOOKED, made_at=frame.now, made_by=by,
                        )
                    )  # fmt: skip
                    break
        ListPlace.objects.bulk_create(made)
    return len(made), len(standing) - len(made)


def _point_at(one: ClinicList, at: time) -> int | None:
    """The point of a list at which this time of day lies."""
    return next((n for n in range(one.points) if time_of(one.starts, one.minutes, n) == at), None)


def bookings_outside(site: Site, today: date) -> "list[Booking]":
    """Standing bookings of days on which we keep the calendar that have no place on a list, by day and time."""
    kept = UnitCalendar.objects.filter(site=site).first()
    if kept is None:
        return []
    found = Booking.objects.filter(
        site=site, status=Booking.Status.BOOKED, day__gte=max(today, kept.kept_from), place__isnull=True
    ).select_related("referral__person")  # fmt: skip
    return list(found.order_by("day", "time", "pk"))
