"""Many hands on one calendar at the same moment, each with a connection of its own: nobody is booked twice."""

from collections import Counter
from datetime import timedelta

import pytest
from django.db.models import Count

from oversight.rehearsal.setting import region_lay_down
from results.models import Booking, ClinicList, ListPlace, Referral
from results.services import calendar_moves as moves
from results.services import places
from results.services import referrals as services
from staff import clock
from tests.conftest import FIRST_DAY
from tests.results import follow_up as f
from tests.results import own_calendar as own
from tests.results.test_hands_at_once import at_once

pytestmark = pytest.mark.usefixtures("laid_down")


@pytest.fixture
def laid_down(fresh_db: str) -> None:
    """The region in a database of the test's own."""
    region_lay_down(first_day=FIRST_DAY)


def one_referral(referral: Referral, work: object) -> object:
    return lambda: work(Referral.objects.get(pk=referral.pk))


def no_point_twice() -> None:
    taken = Counter(
        (place.list_id, point)
        for place in ListPlace.objects.filter(status__in=ListPlace.TAKEN)
        for point in range(place.points.lower, place.points.upper)
    )
    assert not [key for key, count in taken.items() if count > 1]
    twice = Booking.objects.filter(status="booked").values("referral").annotate(n=Count("pk")).filter(n__gt=1)
    assert not twice.exists()


@pytest.mark.parametrize("count", [16, pytest.param(120, marks=pytest.mark.campaign)])
def test_of_so_many_who_want_the_same_place_one_gets_it(count: int) -> None:
    (one,) = own.lists(own.a_kept_unit(), 1, points=20)
    people = [own.to_book(family_name=f"Wanting{n}") for n in range(count)]

    def take(referral: Referral) -> object:
        return bool(places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one, first=0))

    told = at_once([one_referral(referral, take) for referral in people])
    assert Counter(map(str, told)) == {"True": 1, "place_taken": count - 1}
    no_point_twice()


def test_a_list_is_filled_exactly_and_one_person_booked_by_many_hands_has_one_day() -> None:
    days = own.lists(own.a_kept_unit(), 2, points=6)
    people = [own.to_book(family_name=f"Filling{n}") for n in range(8)]
    one_person = own.to_book(family_name="Wanted")

    def first_fit(referral: Referral) -> object:
        return bool(places.place_book(by=f.kaddrin(), referral=referral, clinic_list=days[0]))

    works = [one_referral(referral, first_fit) for referral in people]
    for _ in range(4):
        works.append(
            one_referral(
                one_person,
                lambda r: bool(places.place_book(by=f.kaddrin(), referral=r, clinic_list=days[1])),
            )
        )
    told = Counter(map(str, at_once(works)))
    assert told == {"True": 4, "place_taken": 5, "illegal_move": 3}
    assert Booking.objects.filter(referral=one_person, status="booked").count() == 1
    assert ListPlace.objects.filter(list=days[0], status="booked").count() == 3
    no_point_twice()


def test_cancelling_moving_holding_and_lapsing_at_once_leave_nobody_lost() -> None:
    site = own.a_kept_unit()
    days = own.lists(site, 4, since=clock.today() + timedelta(days=6), points=12)
    people = [own.to_book(family_name=f"Several{n}") for n in range(10)]
    for n, referral in enumerate(people[:6]):
        places.place_book(by=f.kaddrin(), referral=referral, clinic_list=days[n % 2])
    for referral in people[6:8]:
        places.place_hold(by=f.kaddrin(), referral=referral, clinic_list=days[0])
    ids = [one.pk for one in people]
    works = [
        lambda: moves.list_cancel(by=f.kaddrin(), clinic_list=days[0], why="Ill."),
        lambda: moves.list_cancel(by=f.liora(), clinic_list=days[0], why="Ill, too."),
        lambda: moves.unit_close(by=f.liora(), site=site, since=days[1].day, until=days[1].day, why="Shut."),
        lambda: places.places_lapse(by=f.kaddrin()),
        lambda: moves.people_of_cancelled_settle(by=f.kaddrin()),
        lambda: moves.people_move(by=f.kaddrin(), referral_ids=ids),
        lambda: moves.people_move(by=f.liora(), referral_ids=ids),
        *[
            one_referral(
                referral, lambda r: bool(places.place_hold(by=f.kaddrin(), referral=r, clinic_list=days[0]))
            )
            for referral in people[8:]
        ],
        *[
            one_referral(
                referral,
                lambda r: bool(services.booking_confirm(by=f.liora(), booking=r.bookings.latest("pk"))),
            )
            for referral in people[:3]
        ],
    ]
    at_once(works)
    moves.people_of_cancelled_settle(by=f.kaddrin())
    moves.people_move(by=f.kaddrin(), referral_ids=ids)
    no_point_twice()
    assert not ListPlace.objects.filter(
        list__in=ClinicList.objects.filter(cancelled_at__isnull=False), status__in=ListPlace.LIVE
    ).exists()
    for referral in Referral.objects.filter(pk__in=ids):
        assert referral.due_on is not None
        assert referral.owner_id or referral.pool
        booked = referral.bookings.filter(status="booked").count()
        assert booked == (1 if referral.state == "booked" else 0)
    assert Referral.objects.filter(pk__in=ids[:6], state="booked").count() == 6
