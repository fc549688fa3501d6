"""The list "Attended?": who is on it and when, one-tap answers, taking back, and that nobody is discharged (H20)."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from results.models import Booking, Referral
from results.referral_attendance import attendance_missing, overdue_on
from results.services import referrals as services
from results.services.referrals_attendance import booking_outcome_take_back
from staff import clock
from staff.errors import IllegalMove
from staff.models import AccessEntry, Site
from tests import cast
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
WEDNESDAY = date(2026, 6, 17)
LIST = "/follow-up/attended/"
OUTCOMES = ("attended", "missed", "cancelled_person", "cancelled_site")


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def booked(day: date = WEDNESDAY, **facts: object) -> Referral:
    """A referral booked for a day."""
    referral = f.a_referral("to_book", **facts)
    services.booking_make(by=f.kaddrin(), referral=referral, site=f.unit(), day=day, time=f.HALF_PAST_NINE)
    return referral


@pytest.mark.parametrize(
    ("day", "hour", "minute", "listed"),
    [(0, 17, 59, False), (0, 18, 0, True), (0, 23, 59, True), (1, 0, 0, True), (1, 12, 0, True), (-1, 23, 0, False)],
)  # fmt: skip
def test_a_booking_is_asked_about_from_six_in_the_evening_at_its_unit(
    day: int, hour: int, minute: int, listed: bool
) -> None:
    # Source: common practice, no source: the status of everybody booked is set by 18:00 the same day.
    booked()
    moment = clock.moment(WEDNESDAY + timedelta(days=day), hour, minute, f.unit().time_zone)
    assert attendance_missing(moment).exists() is listed


def test_a_booking_of_today_is_not_called_yesterdays(page: Client) -> None:
    booked()
    with clock.at(clock.moment(WEDNESDAY, 19)):
        page.force_login(cast.member(cast.COORDINATOR))
        text = page.get(LIST).content.decode()
    assert "Yesterday" not in text
    assert "0 days ago" not in text
    assert ">today</span>" in text


def test_the_evening_is_the_one_of_the_unit() -> None:
    booked()
    Site.objects.filter(pk=f.unit().pk).update(time_zone="Asia/Tokyo")
    at_home = clock.moment(WEDNESDAY, 12)
    assert overdue_on(at_home) == WEDNESDAY - timedelta(days=1)
    assert overdue_on(at_home, "Asia/Tokyo") == WEDNESDAY
    assert attendance_missing(at_home).count() == 1


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_one_tap_answers_and_the_row_leaves_the_list(page: Client, outcome: str) -> None:
    referral = booked(family_name="Ferrow")
    booking = referral.bookings.get()
    with clock.at(clock.moment(WEDNESDAY, 18)):
        text = page.get(LIST).content.decode()
        assert "Ferrow, Marra" in text
        assert "1 booked day is over" in text
        assert AccessEntry.objects.filter(person_id=referral.person_id, place="attended?").count() == 1
        address = reverse("results:attended-answer", args=[booking.pk])
        answer = page.post(address, {"outcome": outcome, "seen": referral.last_seq}, follow=True)
        text = answer.content.decode()
    booking.refresh_from_db()
    referral.refresh_from_db()
    assert booking.status == outcome
    assert referral.state == ("report_due" if outcome == "attended" else "to_book")
    assert "0 booked days are over" in text
    assert "Take back" in text
    assert referral.due_on > WEDNESDAY


def test_the_count_stands_on_the_queue_page_and_on_the_first_page(page: Client) -> None:
    booked()
    with clock.at(clock.moment(WEDNESDAY + timedelta(days=1), 9)):
        text = page.get("/follow-up/").content.decode()
        assert f'href="{LIST}"><b>1</b><span>booked, day over: attended?' in text
        assert "1 booked day is over: attended?" in page.get("/").content.decode()


def test_two_taps_at_once_or_a_stale_page_change_nothing(page: Client) -> None:
    referral = booked()
    address = reverse("results:attended-answer", args=[referral.bookings.get().pk])
    behind = referral.last_seq - 1
    answer = page.post(address, {"outcome": "attended", "seen": behind}, follow=True)
    assert "Somebody changed this referral" in answer.content.decode()
    assert Referral.objects.get(pk=referral.pk).state == "booked"
    page.post(address, {"outcome": "attended"})
    answer = page.post(address, {"outcome": "missed"}, follow=True)
    assert "This booking already reads “attended”" in answer.content.decode()
    assert "Choose what happened" in page.post(
        reverse("results:attended-answer", args=[booked(family_name="Two").bookings.get().pk]), {"outcome": "x"}, follow=True
    ).content.decode()  # fmt: skip


@pytest.mark.parametrize("times", [2, 3, 4])
def test_missing_again_and_again_discharges_nobody_and_goes_to_the_clinicians(times: int) -> None:
    # H20 of the job: no automatic closing. Source: common practice, no source, for the clinician after the second.
    referral = booked()
    for nth in range(1, times + 1):
        services.booking_outcome(
            by=f.kaddrin(), booking=referral.bookings.get(status="booked"), outcome="missed"
        )
        referral.refresh_from_db()
        assert (referral.state, referral.close_reason, referral.due_on) == ("to_book", "", date(2026, 6, 19))
        assert referral.pool == ("coordinators" if nth == 1 else "clinicians")
        assert referral.moves.latest("seq").reason == ("missed" if nth == 1 else "missed_again")
        if nth < times:
            services.booking_make(
                by=f.kaddrin(), referral=referral, site=f.unit(), day=WEDNESDAY, time=f.HALF_PAST_NINE
            )
    assert not referral.moves.filter(event="close").exists()
    assert referral.bookings.filter(status="missed").count() == times


def test_the_second_time_takes_it_from_a_coordinator_but_not_from_a_clinician() -> None:
    for holder, kept in ((f.kaddrin(), None), (f.liora(), f.liora())):
        referral = booked(family_name=holder.username)
        services.referral_claim(by=holder, referral=referral)
        services.booking_outcome(by=f.kaddrin(), booking=referral.bookings.get(), outcome="missed")
        services.booking_make(
            by=f.kaddrin(), referral=referral, site=f.unit(), day=WEDNESDAY, time=f.HALF_PAST_NINE
        )
        services.booking_outcome(
            by=f.kaddrin(), booking=referral.bookings.get(status="booked"), outcome="missed"
        )
        referral.refresh_from_db()
        assert referral.owner == kept


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_a_wrong_answer_can_be_taken_back_until_something_else_happens(page: Client, outcome: str) -> None:
    referral = booked()
    services.referral_claim(by=f.kaddrin(), referral=referral)
    services.booking_outcome(by=f.liora(), booking=referral.bookings.get(), outcome=outcome)
    answer = page.post(reverse("results:attended-take-back", args=[referral.pk]), follow=True)
    assert "The booking stands again" in answer.content.decode()
    referral.refresh_from_db()
    assert (referral.state, referral.due_on, referral.owner) == ("booked", WEDNESDAY, f.kaddrin())
    assert referral.bookings.get().status == "booked"
    assert list(referral.moves.values_list("event", flat=True).order_by("seq"))[-1] == "attendance_undone"
    services.booking_outcome(by=f.liora(), booking=referral.bookings.get(), outcome="missed")
    services.contact_attempt_record(by=f.liora(), referral=referral, outcome="no_answer")
    with pytest.raises(IllegalMove) as refused:
        booking_outcome_take_back(by=f.liora(), referral=referral)
    assert refused.value.code == "nothing_to_take_back"


@pytest.mark.parametrize("leave", ["pause", "elsewhere", "close"])
def test_leaving_a_booking_cancels_it_and_it_can_be_booked_again(leave: str) -> None:
    referral = booked(WEDNESDAY + timedelta(days=9))
    if leave == "pause":
        services.referral_pause(
            by=f.kaddrin(), referral=referral, until=WEDNESDAY + timedelta(days=20), note="travels"
        )
        assert "is cancelled with this: tell the unit." in referral.moves.latest("seq").note
    elif leave == "elsewhere":
        services.referral_elsewhere(by=f.kaddrin(), referral=referral, where="a clinic")
    else:
        services.referral_close(by=f.emrik(), referral=referral, reason="unfit_for_good", note="Very ill.")
        services.referral_reopen(by=f.kaddrin(), referral=referral, note="better")
    assert not Booking.objects.filter(status="booked").exists()
    assert attendance_missing(clock.moment(WEDNESDAY + timedelta(days=30), 12)).count() == 0
    if leave != "close":
        services.referral_resume(by=f.kaddrin(), referral=referral)
    f.assess(referral)
    services.booking_make(
        by=f.kaddrin(), referral=referral, site=f.unit(), day=WEDNESDAY, time=f.HALF_PAST_NINE
    )
    assert Booking.objects.filter(status="booked").count() == 1


def test_the_list_takes_as_many_queries_for_forty_as_for_one(page: Client) -> None:
    booked()
    with clock.at(clock.moment(WEDNESDAY + timedelta(days=1), 9)):
        page.get(LIST)
        with CaptureQueriesContext(connection) as few:
            page.get(LIST)
    for n in range(8):
        booked(family_name=f"Row{n}")
    with clock.at(clock.moment(WEDNESDAY + timedelta(days=1), 9)), CaptureQueriesContext(connection) as many:
        page.get(LIST)
    assert len(many) == len(few)
