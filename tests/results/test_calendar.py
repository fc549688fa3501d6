"""The calendar we keep ourselves: finding, holding, booking, confirming, lapsing, giving back, both sides' cancelling."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.backends.postgresql.psycopg_any import NumericRange
from django.db.utils import DatabaseError

from results.calendar_board import board_read
from results.calendar_rules import Needs
from results.models import Booking, ClinicList, ListPlace, Referral, ResultsPolicy
from results.services import calendar, places
from results.services import referrals as services
from screening.models import Area
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import NonWorkingDay, Site
from tests.results import follow_up as f
from tests.results import own_calendar as own

pytestmark = pytest.mark.usefixtures("region")


def refused(code: str) -> object:
    """The block is refused with this code."""
    return pytest.raises(RoundbookError, check=lambda error: error.code == code)


def last_move(referral: Referral) -> object:
    return referral.moves.order_by("-seq").first()


def test_by_default_the_units_book_and_no_calendar_can_be_begun() -> None:
    ResultsPolicy.objects.update(who_books=ResultsPolicy._meta.get_field("who_books").default)
    # R17: who books is a switch of the protocol; the default is that the site books.
    with refused("units_book"):
        calendar.calendar_begin(by=f.kaddrin(), site=f.unit(), kept_from=clock.today())
    services.booking_make(
        by=f.kaddrin(), referral=own.to_book(), site=f.unit(), day=clock.today(), time=f.HALF_PAST_NINE
    )


def test_a_kept_units_date_is_found_on_its_lists_and_not_typed() -> None:
    site = own.a_kept_unit()
    referral = own.to_book()
    with refused("own_calendar"):
        services.booking_make(
            by=f.kaddrin(), referral=referral, site=site, day=clock.today(), time=f.HALF_PAST_NINE
        )
    with pytest.raises(DatabaseError, match="no place in the calendar"):
        typed_straight_in(referral, site)


def typed_straight_in(referral: Referral, site: Site) -> None:
    """A booking past the services, as the database sees it at the end of its transaction."""
    with transaction.atomic():
        with acting(f.kaddrin()):
            Booking.objects.create(
                referral=referral, site=site, day=clock.today(), time=f.HALF_PAST_NINE, made_by=f.kaddrin(),
                made_on=clock.today(),
            )  # fmt: skip
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")


def test_a_place_is_held_with_an_expiry_and_then_booked() -> None:
    site = own.a_kept_unit()
    early, later = own.lists(site, 2, since=clock.today() + timedelta(days=12))
    referral = own.to_book()
    first = places.place_hold(by=f.kaddrin(), referral=referral, clinic_list=early)
    second = places.place_hold(by=f.kaddrin(), referral=referral, clinic_list=later, first=2)
    assert (first.points.lower, first.points.upper, second.points.lower) == (0, 2, 2)
    # Held up to the evening of the second working day: Wednesday 17 June → Friday 19 June, 18:00.
    assert first.held_until == clock.moment(date(2026, 6, 19), 18)
    assert referral.due_on == date(2026, 6, 19)
    assert last_move(referral).rule == "held"
    with refused("enough_held"):
        places.place_hold(by=f.kaddrin(), referral=referral, clinic_list=later)
    made = places.held_place_book(by=f.kaddrin(), place=second)
    assert (made.site, made.day, f"{made.time:%H:%M}") == (site, later.day, "09:10")
    referral.refresh_from_db()
    assert referral.state == "booked"
    assert referral.due_on == later.day
    assert sorted(referral.places.values_list("status", flat=True)) == ["booked", "let_go"]


def test_a_hold_lapses_by_itself_and_its_person_is_due_that_day() -> None:
    (one,) = own.lists(own.a_kept_unit(), 1, since=clock.today() + timedelta(days=12))
    referral, other = own.to_book(), own.to_book()
    place = places.place_hold(by=f.kaddrin(), referral=referral, clinic_list=one)
    assert places.places_lapse(by=f.kaddrin()) == 0
    with ExitStack() as later:
        f.days_later(later, 3)
        assert places.places_lapse(by=f.kaddrin()) == 1
        assert places.places_lapse(by=f.kaddrin()) == 0
        referral.refresh_from_db()
        assert (referral.state, referral.due_on, last_move(referral).rule) == (
            "to_book", clock.today(), "lapsed",
        )  # fmt: skip
        with refused("place_lapsed"):
            places.held_place_book(by=f.kaddrin(), place=place)
        again = places.place_book(by=f.kaddrin(), referral=other, clinic_list=one, first=0)
        assert again.day == one.day


def test_a_lapsed_hold_makes_room_even_before_the_sweep() -> None:
    (one,) = own.lists(own.a_kept_unit(), 1, since=clock.today() + timedelta(days=12), points=2)
    places.place_hold(by=f.kaddrin(), referral=own.to_book(), clinic_list=one)
    other = own.to_book()
    with refused("place_taken"):
        places.place_book(by=f.kaddrin(), referral=other, clinic_list=one)
    with ExitStack() as later:
        f.days_later(later, 3)
        places.place_book(by=f.kaddrin(), referral=other, clinic_list=one)
        # The sweep still finds the person whose hold lapsed meanwhile.
        assert places.places_lapse(by=f.kaddrin()) == 1


def test_the_database_refuses_two_places_on_one_point_and_places_beyond_a_list() -> None:
    site = own.a_kept_unit()
    (one,) = own.lists(site, 1, points=4)
    held = places.place_hold(by=f.kaddrin(), referral=own.to_book(), clinic_list=one, first=0)
    other = own.to_book()

    def straight_in(low: int, high: int, clinic_list: ClinicList = one) -> None:
        with transaction.atomic(), acting(f.kaddrin()):
            ListPlace.objects.create(
                list=clinic_list, referral=other, points=NumericRange(low, high), status="held",
                held_until=clock.now(), made_at=clock.now(), made_by=f.kaddrin(),
            )  # fmt: skip

    for low, high in ((0, 2), (1, 3), (0, 1)):
        with pytest.raises(IntegrityError, match="no_point_of_a_list_twice"):
            straight_in(low, high)
    with pytest.raises(DatabaseError, match="has no such points"):
        straight_in(2, 5)
    with pytest.raises(IntegrityError, match="place_has_points"):
        straight_in(3, 3)
    places.place_let_go(by=f.kaddrin(), place=held)
    straight_in(0, 2)


def test_the_assessment_gates_our_calendar_too() -> None:
    (one,) = own.lists(own.a_kept_unit(), 1)
    referral = f.a_referral("to_assess")
    with refused("illegal_move"):
        places.place_hold(by=f.kaddrin(), referral=referral, clinic_list=one)
    f.assess(referral, answers=f.ANSWERS | {"interpreter": True})
    with refused("booking_blocked"):
        places.place_hold(by=f.kaddrin(), referral=referral, clinic_list=one)


def test_the_finder_gives_the_earliest_fitting_day_and_the_shortest_way() -> None:
    north, quill = own.a_kept_unit("NCU"), own.a_kept_unit("QCU")
    own.travel(north, "NOR", 15)
    own.travel(quill, "NOR", 70)
    own.lists(north, 3)
    own.lists(quill, 3)
    own.lists(quill, 1, name="Theatre", theatre=True, interpreter=True, bed=True)
    area = Area.objects.get(code="NOR")
    board = board_read(clock.today())
    found = list(board.choices(Needs(), area_id=area.pk))
    assert [(c.list.site.code, c.travel) for c in found[:2]] == [("NCU", 15), ("QCU", 70)]
    assert [c.list.day for c in found] == sorted(c.list.day for c in found)
    assert found[1].far
    assert not found[0].far
    for needs in (Needs(theatre=True), Needs(bed=True), Needs(interpreter=True)):
        assert {c.list.name for c in board.choices(needs, area_id=area.pk)} == {"Theatre"}
    near = board.choices(Needs(), area_id=area.pk, most_minutes=60)
    assert {c.list.site.code for c in near} == {"NCU"}
    last = max(c.list.day for c in found)
    assert {c.list.day for c in board.choices(Needs(), area_id=area.pk, since=last)} == {last}
    assert {c.list.day for c in board.choices(Needs(), area_id=area.pk, until=clock.today() + timedelta(days=1))} == {
        clock.today() + timedelta(days=1)
    }  # fmt: skip


def test_what_is_kept_back_is_for_urgent_people_until_three_days_before() -> None:
    site = own.a_kept_unit(reserve_percent=20)
    days = own.lists(
        site, 5, since=date(2026, 7, 6), points=2
    )  # a week of 10 points, of which 2 are kept back
    for one in days[:4]:
        places.place_book(by=f.kaddrin(), referral=own.to_book(), clinic_list=one)
    person = own.to_book()
    assert list(board_read(clock.today()).choices(Needs(), area_id=None)) == []
    with refused("reserved"):
        places.place_hold(by=f.kaddrin(), referral=person, clinic_list=days[4])
    with transaction.atomic():
        places.place_hold(by=f.kaddrin(), referral=person, clinic_list=days[4], urgent=True)
        transaction.set_rollback(True)
    with ExitStack() as later:
        f.days_later(later, (days[4].day - clock.today()).days - 3)
        places.place_hold(by=f.kaddrin(), referral=person, clinic_list=days[4])


def test_who_has_not_confirmed_is_asked_three_days_before_and_the_place_can_be_given_back() -> None:
    (one,) = own.lists(own.a_kept_unit(), 1, since=date(2026, 7, 10))  # a Friday
    referral = own.to_book()
    made = places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one, agreed=False)
    assert referral.due_on == date(2026, 7, 7)
    assert last_move(referral).rule == "confirm"
    with refused("too_early"):
        services.booking_give_back(by=f.kaddrin(), booking=made)
    with ExitStack() as later:
        f.days_later(later, 20)  # Tuesday 7 July
        services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome="no_answer")
        assert (referral.due_on, last_move(referral).rule) == (date(2026, 7, 8), "confirm")
        with transaction.atomic():
            services.booking_confirm(by=f.kaddrin(), booking=made)
            referral.refresh_from_db()
            assert (referral.due_on, last_move(referral).rule) == (one.day, "booked")
            with refused("confirmed"):
                services.booking_give_back(by=f.kaddrin(), booking=made)
            transaction.set_rollback(True)
        services.booking_give_back(by=f.kaddrin(), booking=made, note="Not reached on three days.")
        referral.refresh_from_db()
        assert (referral.state, referral.due_on) == ("to_book", date(2026, 7, 8))
        assert referral.places.get().status == "let_go"
        assert Booking.objects.get().status == "not_confirmed"


@pytest.mark.parametrize(
    ("outcome", "place", "state"),
    [
        ("attended", "used", "report_due"),
        ("missed", "used", "to_book"),
        ("cancelled_person", "let_go", "to_book"),
        ("cancelled_site", "let_go", "to_book"),
    ],
)
def test_the_place_follows_what_became_of_the_booking_and_back(outcome: str, place: str, state: str) -> None:
    (one,) = own.lists(own.a_kept_unit(), 1)
    referral = own.to_book()
    made = places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one)
    with ExitStack() as later:
        f.days_later(later, (one.day - clock.today()).days)
        services.booking_outcome(by=f.kaddrin(), booking=made, outcome=outcome)
        referral.refresh_from_db()
        assert (referral.places.get().status, referral.state) == (place, state)
        services.booking_outcome_take_back(by=f.kaddrin(), referral=referral)
        assert (referral.places.get().status, referral.state) == ("booked", "booked")


def test_an_answer_cannot_be_taken_back_when_the_place_was_given_to_somebody_else() -> None:
    (one,) = own.lists(own.a_kept_unit(), 1, points=2)
    referral, other = own.to_book(), own.to_book()
    made = places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one)
    services.booking_outcome(by=f.kaddrin(), booking=made, outcome="cancelled_person")
    places.place_book(by=f.kaddrin(), referral=other, clinic_list=one)
    with refused("place_given_away"):
        services.booking_outcome_take_back(by=f.kaddrin(), referral=referral)


def test_lists_are_laid_down_once_and_not_on_closed_days() -> None:
    site = own.a_kept_unit()
    NonWorkingDay.objects.create(day=date(2026, 6, 19), name="Harbour Day")
    NonWorkingDay.objects.create(day=date(2026, 6, 22), name="Boiler", site=site)
    assert [one.day.day for one in own.lists(site, 5)] == [18, 23, 24]
    assert len(own.lists(site, 5)) == 3
    with refused("span_out_of_reach"):
        own.lists(site, 1, since=clock.today() - timedelta(days=2))


def test_standing_bookings_of_the_unit_are_taken_in_with_their_times() -> None:
    own.we_book()
    site = f.unit()
    day = clock.today() + timedelta(days=5)  # Monday
    booked = [own.to_book() for _ in range(3)]
    for referral, hour in zip(booked, (9, 9, 23), strict=True):
        services.booking_make(
            by=f.kaddrin(), referral=referral, site=site, day=day, time=f.HALF_PAST_NINE.replace(hour=hour)
        )
    with connection.cursor() as cursor:  # these bookings were committed before the calendar began
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
    calendar.calendar_begin(by=f.kaddrin(), site=site, kept_from=clock.today())
    assert len(calendar.bookings_outside(site, clock.today())) == 3
    own.lists(site, 1, since=day, points=5)
    assert calendar.standing_bookings_take_in(by=f.kaddrin(), site=site) == (2, 1)
    assert calendar.standing_bookings_take_in(by=f.kaddrin(), site=site) == (0, 1)
    taken = sorted((p.points.lower, p.points.upper) for p in ListPlace.objects.all())
    assert taken == [(0, 2), (3, 5)]  # 9:30 is the fourth point of a list from 8:30, 20 minutes each
    assert {b.time.hour for b in Booking.objects.all()} == {9, 23}


def test_a_calendar_is_given_up_only_when_nobody_has_a_place_on_it() -> None:
    site = own.a_kept_unit()
    (one,) = own.lists(site, 1)
    made = places.place_book(by=f.kaddrin(), referral=own.to_book(), clinic_list=one)
    with refused("places_stand"):
        calendar.calendar_end(by=f.kaddrin(), site=site, until=one.day)
    services.booking_outcome(by=f.kaddrin(), booking=made, outcome="cancelled_site")
    calendar.calendar_end(by=f.kaddrin(), site=site, until=one.day)
    services.booking_make(
        by=f.kaddrin(), referral=own.to_book(), site=site, day=one.day, time=f.HALF_PAST_NINE
    )
