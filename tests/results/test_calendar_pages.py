"""The pages of our calendar: week, lists, finding a place, not confirmed, closing a unit, moving; counts stay flat."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from results.calendar_week import week_read
from results.models import Booking, ClinicList, Referral, ResultsPolicy, UnitCalendar
from results.services import calendar_moves as moves
from results.services import places
from staff import clock
from staff.models import AccessEntry, Site
from tests import cast
from tests.results import follow_up as f
from tests.results import own_calendar as own


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def text_of(answer: object) -> str:
    return " ".join(answer.content.decode().split())


def test_where_units_book_the_page_says_so_and_offers_no_calendar(page: Client) -> None:
    ResultsPolicy.objects.update(who_books=ResultsPolicy._meta.get_field("who_books").default)
    text = text_of(page.get(reverse("results:calendar")))
    assert "the units book" in text
    assert "Begin to keep" not in text
    referral = own.to_book()
    assert "A place on our lists" not in text_of(page.get(reverse("results:referral", args=[referral.pk])))


def test_a_calendar_is_begun_and_its_lists_laid_down_in_the_browser(page: Client) -> None:
    own.we_book()
    site = Site.objects.get(code="NCU")
    typed = {
        "begin-site": site.pk,
        "begin-kept_from": "2026-06-22",
        "begin-reserve_percent": 6,
        "begin-points_each": 2,
        "begin-points_more": 1,
    }
    assert page.post(reverse("results:calendar-begin"), typed).status_code == 302
    assert UnitCalendar.objects.get().kept_from == date(2026, 6, 22)
    lists = {
        "lists-site": site.pk, "lists-name": "Morning list", "lists-since": "2026-06-17", "lists-until": "2026-07-03",
        "lists-weekdays": ["0", "2"], "lists-starts": "08:30", "lists-points": 12, "lists-minutes": 20, "lists-bed": "on",
    }  # fmt: skip
    wrong = page.post(reverse("results:calendar-lists"), lists | {"lists-weekdays": []})
    assert wrong.status_code == 422
    assert "Choose at least one weekday." in text_of(wrong)
    assert "2026-07-03" in text_of(wrong)
    assert page.post(reverse("results:calendar-lists"), lists).status_code == 302
    assert [one.day.day for one in ClinicList.objects.all()] == [22, 24, 29, 1]
    text = text_of(page.get(f"{reverse('results:calendar')}?site=NCU&week=2026-06-22"))
    assert "24 points, 24 free; 2 are kept back" in text
    assert "Monday, 22 June" in text
    with clock.at(clock.moment(date(2026, 6, 22), 15)):
        week = week_read(UnitCalendar.objects.get(), date(2026, 6, 22))
    assert ([row.over for row in week.rows], week.left, week.free) == ([True, False], 12, 12)


def test_a_place_is_found_held_and_taken_in_the_browser(page: Client) -> None:
    site = own.a_kept_unit()
    own.travel(site, "NOR", 70)
    (one,) = own.lists(site, 1, since=clock.today() + timedelta(days=9))
    referral = own.to_book()
    here = reverse("results:places", args=[referral.pk])
    text = text_of(page.get(reverse("results:referral", args=[referral.pk])))
    assert "A place on our lists" in text
    assert here in text
    text = text_of(page.get(here))
    assert "Friday, 26 June 2026, 08:30" in text
    assert "9 " in text
    take = reverse("results:place-take", args=[referral.pk])
    typed = {"list": one.pk, "first": 0, "do": "hold", "seen": referral.last_seq}
    assert page.post(take, typed).status_code == 302
    assert "held up to 19 Jun, 18:00" in text_of(page.get(here))
    stale = page.post(take, typed, follow=True)
    assert "Somebody changed this referral" in text_of(stale)
    referral.refresh_from_db()
    place = referral.places.get()
    answer = page.post(
        reverse("results:place-held", args=[place.pk]), {"do": "book", "seen": referral.last_seq}, follow=True
    )
    assert "Booked: 26 Jun 2026 at Northmere Unit." in text_of(answer)
    assert Booking.objects.get().confirmed_on == clock.today()


def test_needs_of_the_assessment_are_asked_for_at_once(page: Client) -> None:
    site = own.a_kept_unit()
    own.lists(site, 1, since=clock.today() + timedelta(days=9))
    referral = f.a_referral("to_assess")
    f.assess(
        referral, outcome="conditions", plan="Stays the night.", medicine_plan="none",
        answers=f.ANSWERS | {"escort": False, "interpreter": True}, interpreted_by="the region's service",
    )  # fmt: skip
    text = text_of(page.get(reverse("results:places", args=[referral.pk])))
    assert "No place fits." in text
    own.lists(site, 1, since=clock.today() + timedelta(days=9), name="With a bed", bed=True, interpreter=True)
    assert "With a bed" in text_of(page.get(reverse("results:places", args=[referral.pk])))


def test_the_list_of_days_not_confirmed_is_answered_with_one_tap(signed_in: object) -> None:
    page = signed_in(cast.COORDINATOR)
    days = own.lists(own.a_kept_unit(), 3, since=clock.today() + timedelta(days=9))
    people = [own.to_book(family_name=f"Asked{n}") for n in range(3)]
    for referral, one in zip(people, days, strict=True):
        places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one, agreed=False)
    assert "0 of 3" in text_of(page.get(reverse("results:unconfirmed")))
    with ExitStack() as later:
        f.days_later(later, 9)
        page.logout()
        signed_in(cast.COORDINATOR)
        text = text_of(page.get(reverse("results:unconfirmed")))
        assert (
            "2 people have not confirmed" in text
        )  # one is examined today: that one is asked about in the evening
        for referral, answer in zip(people[1:], ("confirmed", "give_back"), strict=True):
            booking = referral.bookings.get()
            page.post(reverse("results:unconfirmed-answer", args=[booking.pk]), {"answer": answer})
        states = [Referral.objects.get(pk=one.pk).state for one in people]
        assert states == ["booked", "booked", "to_book"]
        queue = text_of(page.get(reverse("results:queue")))
        assert "booked, not confirmed: ask now" not in queue


def test_a_unit_is_closed_after_being_told_how_many_it_concerns_and_people_are_moved(page: Client) -> None:
    site = own.a_kept_unit()
    first, second = own.lists(site, 2, since=clock.today() + timedelta(days=9))
    people = [own.to_book(family_name=f"Moving{n}") for n in range(2)]
    for referral in people:
        places.place_book(by=f.kaddrin(), referral=referral, clinic_list=first)
    typed = {"close-site": site.pk, "close-since": first.day, "close-until": first.day, "close-why": "Flood"}
    text = text_of(page.post(reverse("results:calendar-close"), typed))
    assert "1 lists and takes the day away from 2 people" in text
    assert not Booking.objects.filter(status="cancelled_site")
    answer = page.post(reverse("results:calendar-close"), typed | {"sure": "1"}, follow=True)
    assert "2 people lost a booked day" in text_of(answer)
    assert "3 days later" in text_of(answer)
    assert "lost their day, need another" in text_of(page.get(reverse("results:queue")))
    ids = [one.pk for one in people]
    text = text_of(page.post(reverse("results:calendar-move"), {"who": ids}, follow=True))
    assert "2 have a new day" in text
    assert set(Booking.objects.filter(status="booked").values_list("day", flat=True)) == {second.day}
    listed = text_of(page.get(reverse("results:calendar-list", args=[first.pk])))
    assert "Cancelled by Kaddrin Fenwirth" in listed
    assert "Flood" in listed


def test_everybody_shown_on_a_list_is_journalled(page: Client) -> None:
    (one,) = own.lists(own.a_kept_unit(), 1)
    referral = own.to_book()
    places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one)
    before = AccessEntry.objects.filter(person_id=referral.person_id).count()
    page.get(reverse("results:calendar-list", args=[one.pk]))
    assert AccessEntry.objects.filter(person_id=referral.person_id).count() == before + 1


def test_a_page_costs_as_many_queries_for_many_lists_as_for_few(page: Client) -> None:
    site = own.a_kept_unit()
    own.lists(site, 2, since=clock.today() + timedelta(days=8))
    people = [own.to_book() for _ in range(6)]
    addresses = [
        f"{reverse('results:calendar')}?site=NCU", reverse("results:places", args=[people[0].pk]), reverse("results:unconfirmed"),
        reverse("results:queue"),
    ]  # fmt: skip

    def counts() -> list[int]:
        found = []
        for address in addresses:
            with CaptureQueriesContext(
                connection,
            ) as asked:
                assert page.get(address).status_code == 200
            found.append(len(asked))
        return found

    counts()
    few = counts()
    more = own.lists(site, 30, since=clock.today() + timedelta(days=8), name="Afternoon list")
    for referral, one in zip(people[1:], more, strict=False):
        places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one, agreed=False)
    assert counts() == few


def test_the_move_page_costs_the_same_for_many_people(page: Client) -> None:
    first, second = own.lists(own.a_kept_unit(), 2, points=40)
    people = [own.to_book() for _ in range(7)]
    here = reverse("results:calendar-move")

    def cost(some: list[Referral]) -> int:
        for referral in some:
            places.place_book(by=f.kaddrin(), referral=referral, clinic_list=first)
        moves.unit_close(by=f.kaddrin(), site=first.site, since=first.day, until=first.day, why="Shut")
        with CaptureQueriesContext(connection) as asked:
            page.get(here)
        ClinicList.objects.filter(pk=first.pk).update(cancelled_at=None, cancelled_by=None)
        return len(asked)

    cost(people[:1])
    assert cost(people[1:2]) == cost(people[2:])
    assert second.day > first.day


def test_the_manager_sees_without_names_whether_there_is_room(signed_in: object) -> None:
    # Job 2.14, exception 8: no slot within 31 days goes to the manager's capacity list the same day.
    (one,) = own.lists(own.a_kept_unit(), 1, since=clock.today() + timedelta(days=35))
    referral = own.to_book(family_name="Nameless")
    page = signed_in(cast.MANAGER)
    text = text_of(page.get(reverse("results:room")))
    assert "1 of 1 people who need a date cannot be examined within the promised 31 days" in text
    assert "Nameless" not in text
    places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one)
    text = text_of(page.get(reverse("results:room")))
    assert "0 people need a date" in text
    row = text.split("20 July 2026</th>")[1].split("</tr>")[0]
    assert row.count('<td class="number">') == 6
    assert '<td class="number">2</td>' in row
