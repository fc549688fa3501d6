"""Letters of a referral that a surveillance plan was taken up with: it has no round and no result of its own."""

from datetime import date, timedelta

import pytest

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.rendering import letter_render
from results.models import Referral
from results.services import calendar_moves, places
from results.services import referrals as services
from results.services.surveillance_take_up import surveillance_take_up_now
from screening.models import Person, Practice
from staff import clock
from tests.factories import by_default
from tests.results import follow_up as f
from tests.results import own_calendar as own
from tests.results.test_surveillance_take_up import a_plan

pytestmark = pytest.mark.usefixtures("region")


def taken_up() -> Referral:
    """A plan that falls due in 20 days, taken up; what was owed before is written and out of the way."""
    plan = a_plan(clock.today() + timedelta(days=20))
    Person.objects.filter(pk=plan.referral.person_id).update(practice=Practice.objects.order_by("pk").first())
    referral = surveillance_take_up_now(by=f.kaddrin(), plan=plan)
    letters_plan(by=by_default())
    return referral


def owed(referral: Referral) -> set[str]:
    """The kinds of the letters of this referral."""
    letters_plan(by=by_default())
    return set(Letter.objects.filter(referral=referral).values_list("kind", flat=True))


def frozen(referral: Referral) -> dict[str, Letter]:
    letters_freeze(by=by_default())
    return {one.kind: one for one in Letter.objects.filter(referral=referral)}


def test_the_signed_next_step_is_written_to_the_person_and_the_doctor() -> None:
    referral = taken_up()
    f.bring_to(referral, "report_due")
    f.report(referral)
    f.sign(referral, words="Back to the home test.", close=True)
    assert {"next_step", "next_step_doctor"} <= owed(referral)
    assert owed(referral) == owed(referral), "once"
    letters = frozen(referral)
    assert letters["next_step"].state == "frozen"
    assert letters["next_step"].context["words"] == "Back to the home test."
    assert letter_render(letter=letters["next_step"]).content.startswith(b"%PDF")


def test_the_appointment_is_written_and_a_refusal_does_not_stop_the_planner() -> None:
    referral = taken_up()
    f.bring_to(referral, "to_book")
    day = clock.today() + timedelta(days=12)
    services.booking_make(by=f.kaddrin(), referral=referral, site=f.unit(), day=day, time=f.HALF_PAST_NINE)
    assert "appointment" in owed(referral)
    assert frozen(referral)["appointment"].state == "frozen"
    services.booking_outcome(by=f.kaddrin(), booking=referral.bookings.get(), outcome="cancelled_person")
    services.contact_attempt_record(by=f.emrik(), referral=referral, outcome="spoke", wish="declines")
    services.referral_close(
        by=f.emrik(), referral=referral, reason="informed_refusal", note="No.", refusal="other"
    )
    assert {"refusal", "refusal_doctor"} <= owed(referral)
    assert frozen(referral)["refusal"].state in {"frozen", "held"}


def test_whoever_is_moved_to_another_day_gets_the_new_appointment_and_not_the_old_one() -> None:
    # The notice that a bulk move owes: a letter about the booking that stands; one about a booking that is gone is withdrawn.
    first, second = own.lists(own.a_kept_unit(), 2, since=clock.today() + timedelta(days=12))
    referral = own.to_book()
    old = places.place_book(by=f.kaddrin(), referral=referral, clinic_list=first)
    assert "appointment" in owed(referral)
    calendar_moves.list_cancel(by=f.kaddrin(), clinic_list=first, why="Ill.")
    calendar_moves.people_move(by=f.kaddrin(), referral_ids=[referral.pk])
    new = referral.bookings.get(status="booked")
    assert new.day == second.day
    owed(referral)
    letters = {
        one.subject_id: one.state for one in Letter.objects.filter(referral=referral, kind="appointment")
    }
    assert letters == {old.pk: "cancelled", new.pk: "owed"}
    assert second.day == date(2026, 6, 30)
