"""A list or a unit falls away: everybody gets a next date and an owner, and those who fit another day, in one go."""

from datetime import date, timedelta

import pytest
from django.db.models import Q

from results.calendar_rules import Needs
from results.models import Booking, ClinicList, ListPlace, Referral
from results.services import calendar_moves as moves
from results.services import places
from results.services import referrals as services
from results.services import referrals_leave as leave
from staff import clock
from staff.errors import RoundbookError
from staff.models import Site
from tests.results import follow_up as f
from tests.results import own_calendar as own

pytestmark = pytest.mark.usefixtures("region")
NEXT_DAY = date(2026, 6, 18)  # today is Wednesday 17 June 2026


def booked(clinic_list: ClinicList, count: int, **facts: object) -> list[Referral]:
    """So many people booked on a list."""
    people = [own.to_book(**facts) for _ in range(count)]
    for referral in people:
        places.place_book(by=f.kaddrin(), referral=referral, clinic_list=clinic_list)
    return people


def everybody_has_owner_and_date() -> None:
    open_ones = Referral.objects.exclude(state="closed")
    assert not open_ones.filter(Q(due_on__isnull=True) | Q(owner__isnull=True, pool="")).exists()


def test_a_cancelled_list_leaves_nobody_without_a_next_date_and_an_owner() -> None:
    (one,) = own.lists(own.a_kept_unit(), 1, since=clock.today() + timedelta(days=9))
    people = booked(one, 2)
    held = own.to_book()
    services.referral_claim(by=f.liora(), referral=people[0])
    places.place_hold(by=f.kaddrin(), referral=held, clinic_list=one)
    assert moves.list_cancel(by=f.kaddrin(), clinic_list=one, why="The endoscopist is ill.") == 2
    for referral in people:
        referral.refresh_from_db()
        last = referral.moves.latest("seq")
        assert (referral.state, referral.due_on, last.event) == ("to_book", NEXT_DAY, "unbook")
        assert (last.reason, last.rule, last.note) == (
            "list_cancelled",
            "cancelled",
            "The endoscopist is ill.",
        )
    assert (people[0].owner, people[1].pool) == (f.liora(), "coordinators")
    held.refresh_from_db()
    assert (held.state, held.due_on) == ("to_book", NEXT_DAY)
    assert set(ListPlace.objects.values_list("status", flat=True)) == {"let_go"}
    assert set(Booking.objects.values_list("status", flat=True)) == {"cancelled_site"}
    everybody_has_owner_and_date()
    # Run again, as the sweep does: nothing happens twice.
    assert moves.people_of_cancelled_settle(by=f.kaddrin()) == 0
    assert moves.list_cancel(by=f.kaddrin(), clinic_list=one, why="again") == 0
    with pytest.raises(RoundbookError, match="cancelled"):
        places.place_hold(by=f.kaddrin(), referral=held, clinic_list=one)


def test_a_cancelling_killed_half_way_is_finished_by_the_sweep() -> None:
    (one,) = own.lists(own.a_kept_unit(), 1)
    (referral,) = booked(one, 1)
    ClinicList.objects.filter(pk=one.pk).update(
        cancelled_at=clock.now(), cancelled_by=f.kaddrin(), why="killed"
    )
    assert moves.people_of_cancelled_settle(by=f.kaddrin()) == 1
    referral.refresh_from_db()
    assert (referral.state, referral.due_on) == ("to_book", NEXT_DAY)


def test_when_a_unit_closes_its_people_are_moved_to_other_days_and_units_in_the_order_of_waiting() -> None:
    north, quill = own.a_kept_unit("NCU"), own.a_kept_unit("QCU")
    own.travel(quill, "NOR", 75)
    first, second = own.lists(north, 2, since=clock.today() + timedelta(days=7))
    (other,) = own.lists(quill, 1, since=clock.today() + timedelta(days=10), points=4)
    people = [*booked(first, 2), *booked(second, 1)]
    # The longest waiting is the last one booked.
    Referral.objects.filter(pk=people[2].pk).update(opened_on=clock.today() - timedelta(days=40))
    by_the_unit = own.to_book()
    services.booking_make(
        by=f.kaddrin(),
        referral=by_the_unit,
        site=Site.objects.get(code="HCU"),
        day=first.day,
        time=f.HALF_PAST_NINE,
    )
    assert moves.unit_close(by=f.kaddrin(), site=north, since=first.day, until=second.day, why="Flood.") == 3
    everybody_has_owner_and_date()
    by_the_unit.refresh_from_db()
    assert by_the_unit.state == "booked"
    waiting = moves.people_to_move()
    assert {one.pk for one in waiting} == {one.pk for one in people}
    planned = moves.moves_planned(waiting, today=clock.today())
    assert planned[0].referral.pk == people[2].pk
    assert [one.choice.list.pk if one.choice else None for one in planned] == [other.pk, other.pk, None]
    assert planned[2].why_not == "No fitting place is free."
    assert moves.people_move(by=f.kaddrin(), referral_ids=[one.pk for one in people]) == (2, 1)
    rows = {one.pk: Referral.objects.get(pk=one.pk) for one in people}
    assert rows[people[2].pk].state == "booked"
    left = [one for one in rows.values() if one.state == "to_book"]
    assert [one.due_on for one in left] == [NEXT_DAY]
    moved = Booking.objects.filter(status="booked", site=quill)
    assert moved.count() == 2
    assert not moved.filter(confirmed_on__isnull=False).exists()
    # Whoever was moved without being asked is asked on the next working day.
    assert {one.due_on for one in rows.values()} == {NEXT_DAY}
    assert people[2].moves.latest("seq").reason == "past_promise"
    everybody_has_owner_and_date()
    assert moves.people_move(by=f.kaddrin(), referral_ids=[one.pk for one in people]) == (0, 3)


def test_a_closing_unit_that_gives_dates_itself_frees_its_people_too() -> None:
    booked_there, asked_there, elsewhere = own.to_book(), own.to_book(), own.to_book()
    day = clock.today() + timedelta(days=6)
    services.booking_make(
        by=f.kaddrin(), referral=booked_there, site=f.unit(), day=day, time=f.HALF_PAST_NINE
    )
    services.examination_request(by=f.kaddrin(), referral=asked_there, site=f.unit())
    services.examination_request(by=f.kaddrin(), referral=elsewhere, site=Site.objects.get(code="HCU"))
    due = elsewhere.due_on
    assert moves.unit_close(by=f.kaddrin(), site=f.unit(), since=day, until=day, why="No power.") == 1
    for referral in (booked_there, asked_there, elsewhere):
        referral.refresh_from_db()
    assert (booked_there.state, booked_there.due_on) == ("to_book", NEXT_DAY)
    assert booked_there.moves.latest("seq").reason == "unit_closed"
    assert (asked_there.state, asked_there.due_on) == ("requested", NEXT_DAY)
    assert (elsewhere.state, elsewhere.due_on) == ("requested", due)


def test_needs_go_with_the_person_and_an_expired_assessment_stops_the_move() -> None:
    site = own.a_kept_unit()
    (theatre,) = own.lists(site, 1, name="Theatre", theatre=True)
    own.lists(site, 3, since=clock.today() + timedelta(days=2))
    referral = own.to_book()
    places.place_book(by=f.kaddrin(), referral=referral, clinic_list=theatre, needs=Needs(theatre=True))
    moves.list_cancel(by=f.kaddrin(), clinic_list=theatre, why="No anaesthetist.")
    (planned,) = moves.moves_planned(moves.people_to_move(), today=clock.today())
    assert planned.needs == Needs(theatre=True)
    assert planned.choice is None
    late = clock.today() + timedelta(days=70)
    own.lists(site, 1, name="Theatre", since=late, theatre=True)
    with clock.at(clock.moment(late - timedelta(days=5), 12)):
        (planned,) = moves.moves_planned(moves.people_to_move(), today=clock.today())
        assert planned.choice is None
        assert "asse" in planned.why_not.lower()


def test_two_missed_days_on_our_own_lists_discharge_nobody() -> None:
    # H20: a second missed day goes to the clinicians; nothing closes by itself.
    days = own.lists(own.a_kept_unit(), 3)
    referral = own.to_book()
    for one in days[:2]:
        made = places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one)
        with clock.at(clock.moment(one.day, 17)):
            services.booking_outcome(by=f.kaddrin(), booking=made, outcome="missed")
    referral.refresh_from_db()
    assert (referral.state, referral.pool, referral.close_reason) == ("to_book", "clinicians", "")


def test_an_absent_owners_people_stay_one_row(django_assert_max_num_queries: object) -> None:
    # R18: an absent owner is one row; what a cancelled list throws back to that owner is found there.
    (one,) = own.lists(own.a_kept_unit(), 1)
    people = booked(one, 3)
    for referral in people:
        services.referral_claim(by=f.emrik(), referral=referral)
    leave.absence_note(by=f.liora(), user=f.emrik(), since=clock.today(), note="called in")
    moves.list_cancel(by=f.kaddrin(), clinic_list=one, why="Ill.")
    assert set(Referral.objects.filter(pk__in=[p.pk for p in people]).values_list("owner", flat=True)) == {
        f.emrik().pk
    }


@pytest.mark.parametrize("count", [2, 6])
def test_the_plan_and_the_move_cost_queries_by_the_batch_not_by_the_person(
    count: int, django_assert_max_num_queries: object
) -> None:
    site = own.a_kept_unit()
    (one,) = own.lists(site, 1, points=2 * count)
    own.lists(site, 1, since=clock.today() + timedelta(days=3), points=2 * count)
    people = booked(one, count)
    with django_assert_max_num_queries(30):
        moves.list_cancel(by=f.kaddrin(), clinic_list=one, why="Ill.")
    with django_assert_max_num_queries(34):
        assert moves.people_move(by=f.kaddrin(), referral_ids=[p.pk for p in people]) == (count, 0)
