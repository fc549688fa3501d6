"""From assessment to the next step: gates, chases, missed appointments, incomplete examinations, histology."""

from datetime import date, time, timedelta

import pytest

from results.models import Assessment, Booking
from results.services import referrals as services
from results.states import REFERRAL
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import Site
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
WEDNESDAY = date(2026, 6, 17)
NINE = time(9)


@pytest.mark.parametrize("state", [*REFERRAL.states])
def test_every_state_can_be_reached_through_the_services(state: str) -> None:
    assert f.a_referral(state).state == state


@pytest.mark.parametrize("unanswered", sorted(f.ANSWERS))
def test_an_unanswered_risk_question_blocks_booking(unanswered: str) -> None:
    referral = f.a_referral("to_assess")
    with pytest.raises(RoundbookError) as refused:
        services.assessment_record(
            by=f.liora(), referral=referral, outcome="fit", answers=f.ANSWERS | {unanswered: None}
        )
    assert refused.value.code == "assessment_incomplete"
    with pytest.raises(IllegalMove):
        services.booking_make(by=f.liora(), referral=referral, site=f.unit(), day=WEDNESDAY, time=NINE)
    assert not Assessment.objects.exists()
    assert not Booking.objects.exists()


def test_requested_acknowledged_and_date_known_each_have_their_chase() -> None:
    # R17: requested → acknowledged by the site → date known, each with its own chase.
    referral = f.a_referral("requested")
    assert (referral.due_on, referral.moves.latest("seq").rule) == (
        date(2026, 6, 22),
        "request",
    )  # 3 working days
    services.request_acknowledged(by=f.kaddrin(), referral=referral, note="By telephone.")
    assert (referral.state, referral.due_on) == ("requested", date(2026, 6, 24))  # 5 working days
    assert referral.moves.latest("seq").rule == "acknowledged"
    with pytest.raises(RoundbookError, match="already"):
        services.request_acknowledged(by=f.kaddrin(), referral=referral)
    services.referral_chase(by=f.kaddrin(), referral=referral, note="Still no date.")
    assert (referral.state, referral.due_on) == ("requested", date(2026, 6, 22))
    services.booking_make(by=f.kaddrin(), referral=referral, site=f.unit(), day=WEDNESDAY, time=NINE)
    with pytest.raises(RoundbookError, match="booked"):
        services.request_acknowledged(by=f.kaddrin(), referral=referral)


def test_the_site_is_asked_and_chased_and_then_books() -> None:
    referral = f.a_referral("to_book")
    services.examination_request(by=f.kaddrin(), referral=referral, site=f.unit())
    assert (referral.state, referral.due_on) == ("requested", date(2026, 6, 22))
    services.referral_chase(by=f.kaddrin(), referral=referral, note="rang the unit")
    assert (referral.state, referral.due_on) == ("requested", date(2026, 6, 22))
    made = services.booking_make(
        by=f.kaddrin(), referral=referral, site=f.unit(), day=date(2026, 7, 2), time=NINE
    )
    assert (referral.state, referral.due_on, made.status) == ("booked", date(2026, 7, 2), "booked")


def test_a_booking_past_the_promise_says_so() -> None:
    referral = f.a_referral("to_book")
    services.booking_make(
        by=f.kaddrin(), referral=referral, site=f.unit(), day=WEDNESDAY + timedelta(days=32), time=NINE
    )
    assert referral.moves.get(event="book").reason == "past_promise"


@pytest.mark.parametrize(("day", "site", "code"), [(-1, "QCU", "day_in_the_past"), (1, "QHC", "not_a_unit")])
def test_a_booking_is_on_or_after_today_at_a_unit(day: int, site: str, code: str) -> None:
    referral = f.a_referral("to_book")
    with pytest.raises(RoundbookError) as refused:
        services.booking_make(
            by=f.kaddrin(), referral=referral, site=Site.objects.get(code=site), day=WEDNESDAY + timedelta(days=day),
            time=NINE,
        )  # fmt: skip
    assert refused.value.code == code


def test_two_missed_appointments_never_close_anybody() -> None:
    referral = f.a_referral("booked")
    services.booking_outcome(by=f.kaddrin(), booking=referral.bookings.get(), outcome="missed")
    referral.refresh_from_db()
    assert (referral.state, referral.due_on) == ("to_book", date(2026, 6, 19))
    services.booking_make(by=f.kaddrin(), referral=referral, site=f.unit(), day=WEDNESDAY, time=NINE)
    again = referral.bookings.get(status="booked")
    services.booking_outcome(by=f.kaddrin(), booking=again, outcome="missed")
    referral.refresh_from_db()
    assert (referral.state, referral.due_on) == ("to_book", date(2026, 6, 19))
    with pytest.raises(IllegalMove) as refused:
        services.booking_outcome(by=f.kaddrin(), booking=again, outcome="attended")
    assert refused.value.code == "booking_settled"


@pytest.mark.parametrize("outcome", ["cancelled_person", "cancelled_site"])
def test_a_cancellation_seeks_a_new_date(outcome: str) -> None:
    referral = f.a_referral("to_book")
    made = services.booking_make(
        by=f.liora(), referral=referral, site=f.unit(), day=date(2026, 7, 1), time=NINE
    )
    with pytest.raises(RoundbookError) as refused:
        services.booking_outcome(by=f.liora(), booking=made, outcome="missed")
    assert refused.value.code == "day_not_come"
    services.booking_outcome(by=f.liora(), booking=made, outcome=outcome)
    referral.refresh_from_db()
    made.refresh_from_db()
    assert (referral.state, referral.due_on, made.status) == ("to_book", date(2026, 6, 18), outcome)


def test_attended_waits_for_the_report() -> None:
    referral = f.a_referral("report_due")
    assert referral.due_on == date(2026, 6, 22)
    assert referral.bookings.get().status == "attended"


def test_a_clean_claim_of_an_incomplete_examination_is_refused() -> None:
    referral = f.a_referral("booked")
    with pytest.raises(RoundbookError) as refused:
        f.report(referral, complete=False)
    assert refused.value.code == "report_refused"
    assert referral.bookings.get().status == "booked"


def test_an_incomplete_examination_leads_to_another_one() -> None:
    referral = f.a_referral("booked")
    f.report(referral, prep_adequate=False, finding="inconclusive")
    assert (referral.state, referral.due_on) == ("repeat_planned", date(2026, 6, 24))
    services.booking_make(by=f.kaddrin(), referral=referral, site=f.unit(), day=WEDNESDAY, time=NINE)
    f.report(referral, kind="ct", report_document="CT-2")
    assert referral.state == "to_classify"


def test_an_incomplete_examination_with_specimens_waits_for_histology_and_then_repeats() -> None:
    referral = f.a_referral("booked")
    f.report(referral, complete=False, specimens=1, finding="non_advanced")
    assert (referral.state, referral.due_on) == ("histology_due", date(2026, 7, 1))
    services.histology_record(by=f.kaddrin(), referral=referral, histology="Tubular adenoma, low grade.")
    assert referral.state == "repeat_planned"


def test_a_cancer_goes_to_the_clinician_even_when_incomplete() -> None:
    referral = f.a_referral("booked")
    f.report(referral, complete=False, finding="cancer")
    assert referral.state == "to_classify"
    f.sign(referral, finding="cancer", step="treatment", words="Referred for treatment.", close=True)
    assert referral.close_reason == "next_step_signed"


def test_histology_is_due_ten_working_days_after_the_examination() -> None:
    assert f.a_referral("histology_due").due_on == date(2026, 7, 1)


def test_a_report_before_the_booked_day_or_in_the_future_is_questioned() -> None:
    referral = f.a_referral("to_book")
    services.booking_make(by=f.liora(), referral=referral, site=f.unit(), day=date(2026, 6, 19), time=NINE)
    for day, code in ((date(2026, 6, 18), "report_refused"), (WEDNESDAY, "before_the_booking")):
        with pytest.raises(RoundbookError) as refused:
            f.report(referral, day=day)
        assert refused.value.code == code


def test_an_early_repeat_is_a_clinicians_and_at_most_a_year_away() -> None:
    referral = f.a_referral("to_classify")
    with pytest.raises(NotAllowed):
        services.repeat_plan(by=f.kaddrin(), referral=referral, on=date(2026, 10, 1), note="piecemeal")
    with pytest.raises(RoundbookError):
        services.repeat_plan(by=f.emrik(), referral=referral, on=date(2027, 7, 1), note="piecemeal")
    services.repeat_plan(by=f.emrik(), referral=referral, on=date(2026, 10, 1), note="piecemeal")
    assert (referral.state, referral.due_on) == ("repeat_planned", date(2026, 10, 1))


def test_an_assessment_can_be_taken_again_before_the_examination() -> None:
    referral = f.a_referral("booked")
    f.assess(referral)
    assert (referral.state, referral.assessments.count()) == ("booked", 2)
