"""Every kind that follows a result or a wish is owed by its trigger, once, and withdrawn when what it speaks of is over."""

from datetime import date, time, timedelta

import pytest

from outreach.models import AreaDesk, Letter, LetterDate, LetterTodo, OutreachPolicy, PlannedDay
from outreach.services.freezing import letters_freeze
from outreach.services.held import letter_release
from outreach.services.planning import letters_plan, letters_repair
from outreach.services.print_runs import print_run_hand_over, print_run_make
from results.models import AdverseEvent, Booking, Referral, Result
from results.services import referrals as services
from screening.models import Area, IntakeSession, Lot, Person, Practice
from screening.services.people import postponement_record, stop_end, stop_record
from screening.services.rounds import rounds_close
from staff import clock
from staff.acting import acting
from staff.models import Site
from tests import cast
from tests.factories import a_delivery, a_round, by_default
from tests.outreach.makers import a_patient, a_result, frozen, planned
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")


def a_referral(state: str = "to_reach") -> Referral:
    """A referral of a person with a practice, brought to a state."""
    referral = f.a_referral(state)
    with acting(by_default()):
        Person.objects.filter(pk=referral.person_id).update(practice=Practice.objects.order_by("pk").first())
    return referral


def kinds(referral: Referral) -> dict[str, str]:
    """Kind → state of the letters of a referral that its own course asked for."""
    letters_plan(by=by_default())
    own = Letter.objects.filter(referral=referral).exclude(kind__in=["result_more_tests", "doctor_copy"])
    return dict(own.values_list("kind", "state"))


def later(days: int) -> "clock.at":  # type: ignore[valid-type]
    return clock.at(clock.now() + timedelta(days=days))


def tried(referral: Referral, channel: str) -> None:
    services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome="sent", channel=channel)


def test_the_ladders_letters_and_its_call_for_the_doctor() -> None:
    referral = a_referral()
    assert kinds(referral) == {}
    for channel in ("letter", "tracked", "doctor"):
        tried(referral, channel)
    assert kinds(referral) == {"tried_to_reach": "owed", "doctor_help": "owed"}
    letters_freeze(by=by_default())
    told = Letter.objects.filter(kind="tried_to_reach").order_by("pk")
    assert [one.context["attempt"] for one in told] == ["1", "2"]
    assert Letter.objects.get(kind="doctor_help").context["value"] == "84.2 µg/g"
    services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome="spoke", wish="go_on")
    found = kinds(referral)
    assert found == {"tried_to_reach": "cancelled", "doctor_help": "cancelled", "assessment_talk": "owed"}
    assert set(told.values_list("close_reason", flat=True)) == {"moved_on"}


def booked(days: int = 20) -> tuple[Referral, Booking]:
    referral = a_referral("to_book")
    made = services.booking_make(
        by=f.liora(),
        referral=referral,
        site=f.unit(),
        day=clock.today() + timedelta(days=days),
        time=time(9, 30),
    )
    return referral, made


def test_an_appointment_has_its_letter_with_the_day_and_what_was_agreed() -> None:
    referral, made = booked()
    assert kinds(referral)["appointment"] == "owed"
    letters_freeze(by=by_default())
    letter = Letter.objects.get(kind="appointment")
    assert letter.state == "frozen"
    assert letter.context["exam_day"] == "Tuesday 7 July 2026"
    assert (letter.context["exam_time"], letter.context["preparation"]) == ("09:30", "with macrogol (PEG)")
    services.booking_outcome(by=f.liora(), booking=made, outcome="cancelled_site", note="list closed")
    assert kinds(referral) == {"appointment": "cancelled"}, (
        "nobody was told the day, so nobody is told that it is off"
    )
    letters_freeze(by=by_default())
    services.booking_make(
        by=f.liora(), referral=referral, site=f.unit(), day=date(2026, 7, 20), time=time(8, 0)
    )
    kinds(referral)
    states = dict(Letter.objects.filter(kind="appointment").values_list("subject_id", "state"))
    assert states[made.pk] == "cancelled"
    assert sorted(states.values()) == ["cancelled", "owed"]


def test_two_short_reminders_come_before_an_appointment_only_by_agreement() -> None:
    referral, made = booked(days=20)
    letters_plan(by=by_default())
    days = LetterDate.objects.filter(subject_id=made.pk, what__startswith="remind").order_by("on")
    assert [(made.day - one.on).days for one in days] == [7, 2]
    with later(13):
        assert kinds(referral)["appointment_reminder"] == "cancelled"
    assert Letter.objects.get(kind="appointment_reminder").close_reason == "no_consent"
    assert LetterDate.objects.filter(subject_id=made.pk, what__startswith="remind").count() == 1


def test_a_second_missed_examination_is_written_to_the_person_and_the_doctor() -> None:
    referral = a_referral("booked")
    services.booking_outcome(by=f.liora(), booking=referral.bookings.get(status="booked"), outcome="missed")
    assert "missed_examination" not in kinds(referral), "the first time somebody rings"
    services.booking_make(by=f.liora(), referral=referral, site=f.unit(), day=clock.today(), time=time(9, 0))
    services.booking_outcome(by=f.liora(), booking=referral.bookings.get(status="booked"), outcome="missed")
    found = kinds(referral)
    assert (found["missed_examination"], found["missed_doctor"]) == ("owed", "owed")
    letters_freeze(by=by_default())
    assert {kinds(referral)[kind] for kind in ("missed_examination", "missed_doctor")} == {"frozen"}


def test_histology_that_does_not_come_is_told_once_after_two_weeks() -> None:
    referral = a_referral("histology_due")
    with later(13):
        assert "histology_awaited" not in kinds(referral)
    with later(14):
        assert kinds(referral)["histology_awaited"] == "owed"
        letters_freeze(by=by_default())
        assert Letter.objects.get(kind="histology_awaited").context["examined_on"] == "17 June 2026"
    with later(30):
        kinds(referral)
    assert Letter.objects.filter(kind="histology_awaited").count() == 1


def test_histology_that_came_asks_for_nothing() -> None:
    referral = a_referral("to_classify")
    with later(20):
        assert "histology_awaited" not in kinds(referral)


def test_a_missing_report_is_asked_for_every_week_until_it_comes() -> None:
    referral = a_referral("report_due")
    referral.refresh_from_db()
    days = ((referral.due_on or clock.today()) - clock.today()).days
    with later(days):
        assert "site_chase" not in kinds(referral)
    with later(days + 1):
        assert kinds(referral)["site_chase"] == "owed"
    with later(days + 8):
        kinds(referral)
        assert Letter.objects.filter(kind="site_chase").count() == 2
        letters_freeze(by=by_default())
        assert Letter.objects.filter(kind="site_chase")[0].context["recipient_name"] == f.unit().name
        f.report(referral, specimens=0, finding="nothing")
    with later(days + 20):
        kinds(referral)
    assert Letter.objects.filter(kind="site_chase").count() == 2


def test_thirty_days_after_an_examination_the_person_is_asked_how_it_went() -> None:
    referral, harmed = a_referral("to_classify"), a_referral("to_classify")
    letters_plan(by=by_default())
    with later(31):
        assert kinds(referral)["wellbeing"] == "owed"
        who = f.liora()
        with acting(who):
            AdverseEvent.objects.create(
                examination=harmed.examinations.get(), kind="bleeding", severity="contact", happened_on=clock.today(),
                source="the person", words="bled a little", entered_on=clock.today(), entered_by=who,
            )  # fmt: skip
        letters_freeze(by=by_default())
        assert (kinds(referral)["wellbeing"], kinds(harmed)["wellbeing"]) == ("frozen", "cancelled")


def test_surveillance_comes_near_sixty_days_before() -> None:
    referral = a_referral("to_classify")
    f.sign(referral, finding="advanced_adenoma", step="surveillance", on=date(2029, 6, 17), close=True,
           deviation="by the clinic's own table")  # fmt: skip
    letters_plan(by=by_default())
    assert LetterDate.objects.get(what="surveillance").on == date(2029, 4, 18)
    OutreachPolicy.objects.update()
    with clock.at(clock.moment(date(2029, 4, 18), 12)):
        assert kinds(referral)["surveillance_due"] == "owed"


def refused() -> Referral:
    referral = a_referral()
    services.contact_attempt_record(by=f.emrik(), referral=referral, outcome="spoke", wish="declines")
    services.referral_close(
        by=f.emrik(), referral=referral, reason="informed_refusal", note="Does not want it."
    )
    return referral


def test_a_refusal_is_confirmed_and_offered_again_after_three_and_twelve_months() -> None:
    referral = refused()
    found = kinds(referral)
    assert (found["refusal"], found["refusal_doctor"]) == ("owed", "owed")
    for days, count in ((91, 1), (92, 2), (364, 2), (365, 3)):
        with later(days):
            kinds(referral)
            assert Letter.objects.filter(kind="refusal").count() == count, days
            letters_freeze(by=by_default())
    said = Letter.objects.filter(kind="refusal").order_by("pk").values_list("context__attempt", flat=True)
    assert list(said) == ["0", "3", "12"]


def test_who_comes_back_is_not_offered_again() -> None:
    referral = refused()
    letters_plan(by=by_default())
    services.referral_reopen(by=f.kaddrin(), referral=referral, note="She rang.")
    with later(100):
        kinds(referral)
        letters_freeze(by=by_default())
    assert list(Letter.objects.filter(kind="refusal").values_list("state", flat=True)) == ["cancelled"]


def test_a_wait_on_medical_grounds_is_told_with_its_day() -> None:
    referral = a_referral("to_assess")
    until = clock.today() + timedelta(days=90)
    services.referral_pause(
        by=f.emrik(), referral=referral, until=until, note="after a heart attack", clinical=True
    )
    found = kinds(referral)
    assert (found["waiting_for_health"], found["waiting_doctor"]) == ("owed", "owed")
    letters_freeze(by=by_default())
    told = Letter.objects.get(kind="waiting_for_health")
    assert (told.context["until"], told.context["for_good"]) == ("15 September 2026", False)


def test_a_handed_over_person_goes_with_a_letter_that_asks_for_a_receipt() -> None:
    referral = a_referral()
    services.referral_close(
        by=f.kaddrin(), referral=referral, reason="transferred", document="Northern Region, receipt 4"
    )
    assert kinds(referral)["transfer"] == "owed"
    letters_freeze(by=by_default())
    assert "Northern Region" in Letter.objects.get(kind="transfer").context["handed_to"]


def test_asking_to_stop_or_to_wait_is_confirmed_once_and_an_end_overtakes_it() -> None:
    stopping, waiting = a_patient(), a_patient()
    stop = stop_record(by=by_default(), person=stopping, scope="invitations", source="call")
    stop_record(by=by_default(), person=stopping, scope="text", source="call")
    postponement_record(by=by_default(), person=waiting, until=date(2026, 12, 1))
    done = letters_plan(by=by_default())
    assert (done["opt_out"], done["postponement"]) == (1, 1)
    assert letters_freeze(by=by_default()) == 2
    assert Letter.objects.get(kind="postponement").context["until"] == "1 December 2026"
    stop_end(by=by_default(), stop=stop)
    stop_record(by=by_default(), person=stopping, scope="invitations", source="letter")
    letters_plan(by=by_default())
    letters_freeze(by=by_default())
    assert Letter.objects.filter(kind="opt_out").count() == 2


def test_a_lot_under_quarantine_recalls_the_kits_that_are_with_people() -> None:
    out, back = a_round(a_patient()), a_result("3.0").round
    letters_plan(by=by_default())
    with acting(by_default()):
        lot = Lot.objects.get(pk=out.kits.get().lot_id)
        lot.quarantined = True
        lot.save()
    letters_plan(by=by_default())
    assert list(Letter.objects.filter(kind="kit_recall").values_list("round", flat=True)) == [out.pk]
    assert back.pk != out.pk
    letters_freeze(by=by_default())
    assert Letter.objects.get(kind="kit_recall").context["kit_named"] == out.kits.get().serial


def test_the_last_round_by_age_has_a_last_letter() -> None:
    young, old = a_round(a_patient()), a_round(a_patient(birth_date=date(1952, 3, 9)))
    type(old).objects.filter(pk=old.pk).update(age_at_invitation=74)
    letters_plan(by=by_default())
    rounds_close(by=by_default(), round_ids=[young.pk, old.pk], reason="not_returned")
    letters_plan(by=by_default())
    assert list(Letter.objects.filter(kind="leaving_by_age").values_list("round", flat=True)) == [old.pk]


def test_advance_notices_go_to_the_people_of_each_day_once() -> None:
    OutreachPolicy.objects.update(advance_days=10)
    soon = a_patient(next_due_on=clock.today() + timedelta(days=10))
    a_patient(next_due_on=clock.today() + timedelta(days=11))
    dead = a_patient(next_due_on=clock.today() + timedelta(days=12))
    (letter,) = planned("advance_notice")
    assert letter.person == soon
    with later(3):
        Person.objects.filter(pk=dead.pk).update(deceased_on=clock.today(), next_due_on=None)
        assert len(planned("advance_notice")) == 2
        assert len(planned("advance_notice")) == 2
    assert PlannedDay.objects.count() == 4


def test_the_second_contact_comes_on_day_fifty_six_with_the_same_guard() -> None:
    round_ = a_round(a_patient(), sent_days_ago=28)
    assert len(planned("reminder")) == 1
    with later(27):
        assert not planned("second_contact")
    with later(28):
        assert len(planned("second_contact", round=round_)) == 1
        assert len(planned("second_contact")) == 1
    assert not LetterDate.objects.exists()


def test_unopened_post_delays_the_areas_whose_post_its_desk_opens() -> None:
    here, there = Area.objects.order_by("pk")[:2]
    other = Site.objects.filter(receives_kits=True).exclude(code="QHC").first()
    AreaDesk.objects.update_or_create(area=here, defaults={"site": Site.objects.get(code="QHC")})
    AreaDesk.objects.update_or_create(area=there, defaults={"site": other})
    waits = a_round(a_patient(area=here), sent_days_ago=40)
    goes = a_round(a_patient(area=there), sent_days_ago=40)
    anywhere = a_round(a_patient(), sent_days_ago=40)
    sack = a_delivery(arrived=clock.today() - timedelta(days=1))
    session = IntakeSession.objects.create(delivery=sack, operator=by_default(), started_at=clock.now())
    assert letters_plan(by=by_default())["reminders_waiting"] == 2
    assert list(Letter.objects.filter(kind="reminder").values_list("round", flat=True)) == [goes.pk]
    session.closed_at = clock.now()
    session.save(update_fields=["closed_at"])
    assert {one.round_id for one in planned("reminder")} == {goes.pk, waits.pk, anywhere.pk}


def test_a_repair_finds_everything_that_was_lost_and_nothing_twice() -> None:
    referral, made = booked()
    a_round(a_patient(), sent_days_ago=1)
    stop_record(by=by_default(), person=a_patient(), scope="invitations", source="call")
    LetterTodo.objects.all().delete()
    assert planned() == []
    since = clock.today() - timedelta(days=30)
    done = letters_repair(by=by_default(), since=since)
    assert (done["appointment"], done["opt_out"], done["invitation"]) == (1, 1, 2)
    assert LetterDate.objects.filter(what="reminder").count() == 1
    assert LetterDate.objects.filter(what__startswith="remind_", subject_id=made.pk).count() == 2
    again = letters_repair(by=by_default(), since=since)
    assert {key for key, count in again.items() if count} <= {
        "rounds",
        "referrals",
        "stops",
        "exclusions",
        "lots",
    }
    assert kinds(referral)["appointment"] == "owed"


def corrected(value: str = "64.2") -> Result:
    """A result below that was told, and then amended."""
    old = a_result("3.0")
    frozen("result_below")
    print_run_hand_over(by=by_default(), print_run=print_run_make(by=by_default()), without_document=True)
    with acting(by_default()):
        Result.objects.filter(pk=old.pk).update(is_current=False, is_deciding=False)
        new = Result.objects.get(pk=old.pk)
        new.pk, new.version, new.is_current, new.is_deciding = None, 2, True, True
        new.reported_ug_g = value
        new.save(force_insert=True)
        LetterTodo.objects.create(source="round", subject_id=new.round_id, event="raise")
    return new


def test_a_corrected_result_is_told_by_phone_first_and_then_says_sorry() -> None:
    new = corrected("5.5")
    letters_plan(by=by_default())
    letter = Letter.objects.get(result=new, recipient="person")
    assert (letter.kind, letter.state, letter.pool) == ("corrected_result", "held", "coordinators")
    assert letter.moves.latest("seq").reason == "tell_by_phone_first"
    letter_release(by=cast.member(cast.COORDINATOR), letter=letter, note="Rang her and explained.")
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert (letter.state, letter.context["value"], letter.context["told_on"]) == (
        "frozen",
        "5.5 µg/g",
        "17 June 2026",
    )
