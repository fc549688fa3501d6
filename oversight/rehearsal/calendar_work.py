"""The one unit of the region whose calendar the programme keeps itself, begun on the eve of the demo's day."""

from datetime import date, time, timedelta

from oversight.rehearsal.crew import Stage
from results.calendar_board import board_read, kept_on
from results.calendar_rules import Needs
from results.models import ClinicList, ListPlace, Referral, UnitCalendar
from results.services import calendar as keeping
from results.services import calendar_moves as moves
from results.services.places import needs_of, place_book, place_hold
from results.services.referrals_assessment import assessment_blocks
from staff.acting import acting
from staff.models import Site

UNIT = "NCU"
DAILY = keeping.Shape("Day list", time(8, 30), points=16, minutes=30, offers=Needs(bed=True))
TWICE = keeping.Shape(
    "Morning list", time(8, 30), points=8, minutes=30, offers=Needs(bed=True, interpreter=True)
)
THEATRE = keeping.Shape("Theatre list", time(13, 0), points=6, minutes=30, offers=Needs(True, True, True))
DAILY_FOR, AHEAD = timedelta(days=20), timedelta(days=62)


def eve_of(last_day: date) -> date:
    """The working day before the demo's day."""
    return last_day - timedelta(days={0: 3, 6: 2}.get(last_day.weekday(), 1))


def own_calendar_begun(stage: Stage, told: set[int], day: date) -> None:
    """Begin the calendar, take the unit's own bookings in, and leave something to do: a cancelled list, a hold, two
    people who were not asked. `told`: referrals of the stories, which are left alone.
    """
    by, site = stage.crew.coordinator, Site.objects.get(code=UNIT)
    first = day + timedelta(days=1)
    with acting(by, reason="our own calendar"):
        keeping.calendar_begin(by=by, site=site, kept_from=first)
        for shape, since, until, weekdays in (
            (DAILY, first, day + DAILY_FOR, range(5)),
            (TWICE, day + DAILY_FOR + timedelta(days=1), day + AHEAD, (1, 3)),
            (THEATRE, first, day + AHEAD, (2,)),
        ):
            keeping.lists_lay_down(by=by, site=site, since=since, until=until, weekdays=weekdays, shape=shape)
        keeping.standing_bookings_take_in(by=by, site=site)
    _something_to_do(stage, told, day)


def _something_to_do(stage: Stage, told: set[int], day: date) -> None:
    by = stage.crew.coordinator
    lists = ClinicList.objects.filter(day__gt=day + timedelta(days=7), places__status=ListPlace.Status.BOOKED)
    for one in lists.distinct().order_by("day"):
        if not told & set(one.places.values_list("referral", flat=True)):
            with acting(by, reason="a list falls away"):
                moves.list_cancel(by=by, clinic_list=one, why="The endoscopist is away.")
            break
    waiting = Referral.objects.filter(state="to_book", person__area__code__in=["NOR", "DUN"]).exclude(
        pk__in=told
    )
    bookable = [one for one in waiting.order_by("opened_on", "pk") if not assessment_blocks(one, today=day)]
    for referral, days, hold in zip(bookable, (3, 4, 9), (False, False, True), strict=False):
        _placed(stage, referral, day + timedelta(days=days), day, hold=hold)


def _placed(stage: Stage, referral: Referral, since: date, day: date, *, hold: bool) -> None:
    with acting(stage.crew.coordinator, reason="a place on our lists"):
        needs = needs_of(referral)
        choice = next(board_read(day).choices(needs, area_id=None, since=since, urgent=True), None)
        if choice is None:
            return
        by, one = stage.crew.coordinator, choice.list
        if hold:
            place_hold(by=by, referral=referral, clinic_list=one, needs=needs, urgent=True)
        else:
            place_book(by=by, referral=referral, clinic_list=one, needs=needs, urgent=True, agreed=False)


def booked_on_our_lists(stage: Stage, referral: Referral, site: Site, exam: date, day: date) -> date | None:
    """The day of a place on our own lists from `exam` on, where we keep the unit's calendar; None where the unit books."""
    if not UnitCalendar.objects.filter(kept_on(exam), site=site).exists():
        return None
    needs = needs_of(referral)
    board = board_read(day)
    found = board.choices(needs, area_id=None, since=exam, site_id=site.pk, urgent=True)
    choice = next(found, None) or next(board.choices(needs, area_id=None, since=exam, urgent=True), None)
    if choice is None:
        return exam
    made = place_book(
        by=stage.crew.coordinator, referral=referral, clinic_list=choice.list, needs=needs, urgent=True
    )
    return made.day
