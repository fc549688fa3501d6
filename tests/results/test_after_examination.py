"""After the examination: calls at 14 and 30 days, adverse events however late, judgements, and cancers reported later."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from results.cancers import CancerClass
from results.models import AdverseEvent, AfterCall, CancerReport, Referral
from results.services import referrals as services
from results.services.after_examination import (
    adverse_event_record,
    after_call_record,
    calls_due,
    calls_due_count,
    event_judge,
)
from results.services.authorise import results_release_below
from results.services.cancers import cancer_report, class_of
from results.services.surveillance_register import plan_of, plans_due, plans_standing
from screening.models import Exclusion, Person
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from tests import cast, factories
from tests import lab_bench as bench
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")

BLEEDING = {
    "kind": "bleeding", "severity": "admission", "source": "the person, by phone", "words": "Bled at home, two nights in hospital.",
}  # fmt: skip


def examined() -> Referral:
    """A referral closed after a clean examination of today."""
    referral = f.a_referral("report_due")
    f.report(referral)
    f.sign(referral, close=True)
    return referral


def marks(today: date) -> list[tuple[int, bool]]:
    return [(call.mark, call.late) for call in calls_due(today)]


def test_everybody_is_called_after_14_and_after_30_days() -> None:
    examination = examined().examinations.get()
    day = examination.day
    assert marks(day + timedelta(days=13)) == []
    assert marks(day + timedelta(days=14)) == [(14, False)]
    assert marks(day + timedelta(days=19)) == [(14, True)]
    assert marks(day + timedelta(days=30)) == [(30, False)], "the later call takes the earlier one in"
    assert marks(day + timedelta(days=35)) == [(30, True)]
    assert calls_due_count(day + timedelta(days=35)) == 1
    with pytest.raises(RoundbookError, match="not come yet"):
        after_call_record(by=f.liora(), examination=examination, mark=14, answer="well")
    with ExitStack() as later:
        f.days_later(later, 15)
        after_call_record(by=f.liora(), examination=examination, mark=14, answer="not_reached")
        assert marks(clock.today()) == [(14, False)], "not reached is no answer"
        after_call_record(by=f.liora(), examination=examination, mark=14, answer="well")
        assert marks(clock.today()) == []
        with pytest.raises(IllegalMove, match="answered already"):
            after_call_record(by=f.liora(), examination=examination, mark=14, answer="well")
    assert marks(day + timedelta(days=30)) == [(30, False)]


def test_a_bleeding_told_at_the_call_is_entered_with_it() -> None:
    examination = examined().examinations.get()
    with ExitStack() as later:
        f.days_later(later, 15)
        told = BLEEDING | {"happened_on": examination.day + timedelta(days=9)}
        with pytest.raises(RoundbookError, match="Describe"):
            after_call_record(by=f.liora(), examination=examination, mark=14, answer="event")
        made = after_call_record(by=f.liora(), examination=examination, mark=14, answer="event", event=told)
        assert made.event == AdverseEvent.objects.get()
        with pytest.raises(NotAllowed):
            event_judge(by=f.kaddrin(), event=made.event, cause="caused", words="After a removal.")
        event_judge(by=f.emrik(), event=made.event, cause="possible", words="Takes blood thinners.")
        event_judge(by=f.emrik(), event=made.event, cause="caused", words="Bled from the place of removal.")
        assert [one.cause for one in made.event.judgements.all()] == ["possible", "caused"]


def test_an_event_is_taken_however_late_but_not_before_the_examination() -> None:
    examination = examined().examinations.get()
    with ExitStack() as later:
        f.days_later(later, 200)
        facts = {"by": f.liora(), "examination": examination} | BLEEDING
        adverse_event_record(happened_on=examination.day + timedelta(days=9), **facts)
        for day in (examination.day - timedelta(days=1), clock.today() + timedelta(days=1)):
            with pytest.raises(RoundbookError, match="between the examination and today"):
                adverse_event_record(happened_on=day, **facts)
        assert marks(clock.today()) == [], "nobody is called after three months"
    with pytest.raises(DatabaseError), transaction.atomic():
        AdverseEvent.objects.update(severity="contact")


def test_the_call_is_recorded_on_the_page_of_a_closed_referral(signed_in: object) -> None:
    referral = examined()
    with ExitStack() as later:
        f.days_later(later, 16)
        page: Client = signed_in(cast.NURSE)
        listed = page.get(reverse("results:after-calls")).content.decode()
        assert f"/follow-up/{referral.pk}/#do-after" in listed
        url = reverse("results:referral-do", args=[referral.pk, "after"])
        pk = referral.examinations.get().pk
        fields = {
            "after-examination": pk,
            "after-mark": 14,
            "after-answer": "event",
            "after-kind": "bleeding",
        }
        refused = page.post(url, fields)
        assert refused.status_code == 422
        assert "Describe what happened." in refused.content.decode()
        day = (referral.examinations.get().day + timedelta(days=9)).isoformat()
        rest = {
            "after-severity": "contact",
            "after-happened_on": day,
            "after-source": "the person",
            "after-words": "Bled.",
        }
        assert page.post(url, fields | rest).status_code == 302
        assert AfterCall.objects.get().event.kind == "bleeding"
        assert "Nobody waits for this call" in page.get(reverse("results:after-calls")).content.decode()


def reported(person: object, **facts: object) -> CancerReport:
    given = {"diagnosed_on": clock.today(), "source": "cancer registry", "document": "CR-1"} | facts
    return cancer_report(by=f.liora(), person=person, **given)


def test_a_cancer_after_a_result_below_is_an_interval_cancer() -> None:
    round_ = factories.a_round(factories.a_person())
    sample = bench.a_sample(round_)
    bench.measured([(sample, "60")])
    results_release_below(by=bench.lead())
    with ExitStack() as later:
        f.days_later(later, 425)
        made = reported(round_.person)
        assert class_of(made) is CancerClass.AFTER_BELOW
        left_out = Exclusion.objects.get(person=round_.person)
        assert (left_out.kind, left_out.confirmed) == ("cancer_care", True)
    with ExitStack() as later:
        f.days_later(later, 740)
        assert class_of(reported(factories.a_person())) is CancerClass.NEVER_TESTED
        assert class_of(reported(round_.person)) is CancerClass.NEXT_TEST_PASSED


def test_a_cancer_after_a_clean_examination_or_in_an_open_referral() -> None:
    clean, live = examined(), f.a_referral("booked")
    with ExitStack() as later:
        f.days_later(later, 90)
        assert class_of(reported(clean.person)) is CancerClass.AFTER_EXAMINATION
        assert class_of(reported(live.person)) is CancerClass.SCREEN_DETECTED


def test_an_uncertain_link_counts_nowhere_until_a_second_reader_says_so() -> None:
    person = factories.a_person()
    first = reported(person, link_certain=False)
    assert class_of(first) is CancerClass.LINK_UNSETTLED
    assert not Exclusion.objects.filter(person=person).exists()
    with pytest.raises(RoundbookError, match="Another person"):
        reported(person, link_certain=False, second_reader=f.liora())
    assert class_of(reported(person, link_certain=False, second_reader=f.emrik())) is CancerClass.NEVER_TESTED
    assert Exclusion.objects.filter(person=person).exists()


@pytest.mark.parametrize(
    "facts", [{"diagnosed_on": date(2030, 1, 1)}, {"diagnosed_on": date(1900, 1, 1)}, {"source": " "}]
)
def test_a_report_that_cannot_be_right_is_refused(facts: dict[str, object]) -> None:
    with pytest.raises(RoundbookError):
        reported(factories.a_person(), **facts)
    assert CancerReport.objects.count() == 0


def test_a_cancer_is_entered_by_two_identifiers(signed_in: object) -> None:
    person = factories.a_person(birth_date=date(1961, 2, 3))
    number = person.identifiers.get().value
    page: Client = signed_in(cast.NURSE)
    url = reverse("results:cancers")
    assert "No cancer was reported" in page.get(url).content.decode()
    fields = {"number": number, "birth_date": "1961-02-04", "diagnosed_on": "2026-06-01", "origin": "bowel",
              "source": "cancer registry", "document": "CR-9"}  # fmt: skip
    refused = page.post(url, fields)
    assert refused.status_code == 422
    assert "nobody&#x27;s here" in refused.content.decode() or "nobody's here" in refused.content.decode()
    answer = page.post(url, fields | {"birth_date": "1961-02-03"}, follow=True)
    assert "Recorded: never tested before." in answer.content.decode()
    assert CancerReport.objects.get().person == person


def in_surveillance(on: date) -> Referral:
    referral = f.a_referral("report_due")
    f.report(referral, specimens=1, finding="advanced_adenoma")
    services.histology_record(
        by=f.liora(), referral=referral, histology="Tubular, 12 mm.", finding="advanced_adenoma"
    )
    f.sign(referral, finding="advanced_adenoma", step="surveillance", on=on, close=True)
    return referral


def test_the_surveillance_register_holds_everybody_until_the_plan_is_replaced(signed_in: object) -> None:
    today = clock.today()
    soon, later = in_surveillance(today + timedelta(days=80)), in_surveillance(today + timedelta(days=1095))
    page: Client = signed_in(cast.CLINICIAN)
    url = reverse("results:surveillance")
    assert [one.referral for one in plans_due(today, soon=True)] == [soon]
    assert [one.referral for one in plans_standing()] == [soon, later]
    text = page.get(url).content.decode()
    assert "2 people have a planned surveillance colonoscopy" in text
    assert "in 80 days" in text
    assert f"/follow-up/{later.pk}/" in page.get(url + "?all").content.decode()
    with ExitStack() as turned:
        f.days_later(turned, 120)
        standing = plan_of(plans_standing()[0], clock.today())
        assert (standing.days_over, standing.late) == (40, True)
    services.referral_reopen(by=f.liora(), referral=later, note="Rang with bleeding.")
    assert [one.referral for one in plans_standing()] == [soon]


def test_h25_nobody_is_lost_at_the_stop_age() -> None:
    referral = in_surveillance(clock.today() + timedelta(days=1095))
    step = referral.next_steps.get()
    assert not plan_of(step, clock.today()).past_stop_age
    # The stop age of the demo's protocol is 80: common practice, no source.
    Person.objects.filter(pk=referral.person_id).update(birth_date=date(1949, 1, 1))
    (again,) = plans_standing()
    assert plan_of(again, clock.today()).past_stop_age, "still on the list, marked for a clinician"
