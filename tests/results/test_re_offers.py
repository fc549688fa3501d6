"""A refusal, and a person who could not be reached, close nothing for good: offers again are open rows (R18, job 2.12)."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from results.models import ClosingEvidence, ReOffer
from results.services import referrals as services
from results.services.re_offers import re_offer_answer, re_offers_due, re_offers_open
from screening.models import Person
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from tests import cast
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")


def refused_referral(**facts: object) -> object:
    """Somebody who declined in a talk with a clinician, closed on it today, Wednesday 17 June 2026."""
    referral = f.a_referral(**facts)
    services.contact_attempt_record(by=f.emrik(), referral=referral, outcome="spoke", wish="declines")
    services.referral_close(
        by=f.emrik(),
        referral=referral,
        reason="informed_refusal",
        note="Understands and declines.",
        refusal="illness",
    )
    return referral


def unreached_referral() -> object:
    """Somebody whom the whole ladder did not reach, closed by two people."""
    referral = f.a_referral()
    with ExitStack() as later:
        for days, channel in (
            (0, "phone"),
            (1, "phone"),
            (4, "phone"),
            (5, "letter"),
            (12, "tracked"),
            (26, "doctor"),
        ):
            with clock.at(clock.now() + timedelta(days=days)):
                services.contact_attempt_record(
                    by=f.kaddrin(),
                    referral=referral,
                    channel=channel,
                    outcome="no_answer" if channel == "phone" else "sent",
                )
        f.days_later(later, 30)
        services.referral_close_propose(by=f.kaddrin(), referral=referral)
        services.referral_close(by=f.liora(), referral=referral, reason="not_reached")
    return referral


def test_a_refusal_is_offered_again_after_3_and_12_months_with_owner_and_date() -> None:
    referral = refused_referral()
    rows = list(ReOffer.objects.order_by("due_on"))
    assert [(one.months, one.due_on) for one in rows] == [(3, date(2026, 9, 17)), (12, date(2027, 6, 17))]
    assert {one.owner for one in rows} == {f.emrik()}
    assert ClosingEvidence.objects.get().refusal == "illness"
    assert list(re_offers_due(clock.today())) == []
    with ExitStack() as later:
        f.days_later(later, 92)
        assert [one.referral for one in re_offers_due(clock.today())] == [referral]


def test_whoever_could_not_be_reached_is_swept_after_6_12_and_24_months() -> None:
    unreached_referral()
    assert [one.months for one in ReOffer.objects.order_by("due_on")] == [6, 12, 24]


def test_wants_it_now_opens_the_referral_and_settles_the_rest() -> None:
    referral = refused_referral()
    with ExitStack() as later:
        f.days_later(later, 92)
        first = ReOffer.objects.earliest("due_on")
        re_offer_answer(by=f.liora(), re_offer=first, answer="wants")
        referral.refresh_from_db()
        assert (referral.state, referral.opened_on) == ("to_assess", date(2026, 6, 17)), (
            "the days go on counting"
        )
        assert list(ReOffer.objects.order_by("due_on").values_list("answer", flat=True)) == [
            "wants",
            "settled",
        ]
        with pytest.raises(RoundbookError, match="answered already"):
            re_offer_answer(by=f.kaddrin(), re_offer=first, answer="declines")


def test_still_declines_leaves_the_later_offer_and_not_reached_is_tried_again() -> None:
    referral = refused_referral()
    with ExitStack() as later:
        f.days_later(later, 92)
        first = ReOffer.objects.earliest("due_on")
        re_offer_answer(by=f.kaddrin(), re_offer=first, answer="not_reached")
        first.refresh_from_db()
        assert (first.answer, first.due_on, first.owner) == ("", date(2026, 10, 1), f.kaddrin())
        re_offer_answer(by=f.kaddrin(), re_offer=first, answer="declines", note="Not now.")
        referral.refresh_from_db()
        assert referral.state == "closed"
        assert [one.months for one in re_offers_open()] == [12]
        assert referral.attempts.filter(outcome="spoke").count() == 2


def test_people_settled_by_something_else_leave_the_list() -> None:
    # R18: people settled with evidence leave the waiting lists.
    died, again = refused_referral(family_name="Died"), refused_referral(family_name="Again")
    with acting(f.kaddrin()):
        dead = {"deceased_on": clock.today(), "next_due_on": None, "not_due_code": "died"}
        Person.objects.filter(pk=died.person_id).update(**dead)
    services.referral_reopen(by=f.kaddrin(), referral=again, note="Rang us.")
    assert list(re_offers_open()) == []
    assert set(again.re_offers.values_list("answer", flat=True)) == {"settled"}
    services.contact_attempt_record(by=f.emrik(), referral=again, outcome="spoke", wish="declines")
    services.referral_close(by=f.emrik(), referral=again, reason="informed_refusal", note="Again no.")
    assert [one.referral for one in re_offers_open()] == [again, again]


def test_the_database_wants_day_and_person_with_an_answer() -> None:
    refused_referral()
    with acting(f.kaddrin()), pytest.raises(IntegrityError, match="re_offer_answered"), transaction.atomic():
        ReOffer.objects.update(answer="declines")


def test_the_form_asks_why_and_the_list_is_answered_with_one_tap(signed_in: object) -> None:
    page = signed_in(cast.CLINICIAN)
    referral = f.a_referral(family_name="Declining")
    services.contact_attempt_record(by=f.emrik(), referral=referral, outcome="spoke", wish="declines")
    asked = f.do(page, referral, "close", reason="informed_refusal", note="Talked.")
    assert "Choose why the person declines." in asked.content.decode()
    assert (
        f.do(page, referral, "close", reason="informed_refusal", note="Talked.", refusal="doubts").status_code
        == 302
    )
    text = " ".join(page.get(reverse("results:referral", args=[referral.pk])).content.decode().split())
    assert "believes the result is wrong" in text
    assert "17 September 2026" in text
    with ExitStack() as later:
        f.days_later(later, 92)
        page.logout()
        page = signed_in(cast.COORDINATOR)
        here = reverse("results:re-offers")
        assert "Declining" in page.get(here).content.decode()
        assert "1 to offer it again" in " ".join(page.get(reverse("results:queue")).content.decode().split())
        row = ReOffer.objects.earliest("due_on")
        answer = page.post(reverse("results:re-offer-answer", args=[row.pk]), {"answer": "wants"})
        assert answer["Location"] == reverse("results:referral", args=[referral.pk])
