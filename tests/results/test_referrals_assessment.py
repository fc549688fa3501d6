"""The assessment in its service and on its page: outcomes, the gate before booking, eight weeks and the re-check."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from results.assessment_rules import QUESTIONS
from results.models import Assessment, Booking, Referral
from results.services import referrals as services
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from tests import cast
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
WEDNESDAY = date(2026, 6, 17)


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def book(referral: Referral) -> Booking:
    """Book for today."""
    return services.booking_make(
        by=f.kaddrin(),
        referral=referral,
        site=f.unit(),
        day=WEDNESDAY + timedelta(days=90),
        time=f.HALF_PAST_NINE,
    )


def refused(referral: Referral, **facts: object) -> RoundbookError:
    """The refusal of an assessment."""
    with pytest.raises(RoundbookError) as error:
        f.assess(referral, **facts)
    return error.value


@pytest.mark.parametrize(
    ("answers", "more", "hazard"),
    [
        ({"anticoagulants": True}, {}, "H41"),
        ({"antiplatelets": True}, {}, "H41"),
        ({"diabetes": True, "insulin": True}, {}, "H41"),
        ({"kidney_disease": True}, {"preparation": "phosphate"}, "H42"),
        ({}, {"preparation": ""}, "H42"),
    ],
)
def test_a_hazard_is_refused_by_its_number(
    answers: dict[str, bool], more: dict[str, str], hazard: str
) -> None:
    referral = f.a_referral("to_assess")
    error = refused(referral, answers=f.ANSWERS | answers, **more)
    assert (error.code, error.data["hazards"]) == ("assessment_incomplete", [hazard])
    assert not Assessment.objects.exists()


def test_h43_booking_waits_for_the_interpreter_and_a_recheck_names_one() -> None:
    referral = f.a_referral("to_assess")
    f.assess(referral, answers=f.ANSWERS | {"interpreter": True})
    assert referral.state == "to_book"
    for act in (book, lambda one: services.examination_request(by=f.kaddrin(), referral=one, site=f.unit())):
        with pytest.raises(RoundbookError) as error:
            act(referral)
        assert (error.value.code, error.value.data["hazards"]) == ("booking_blocked", ["H43"])
        assert "Arrange one, and write who interprets" in str(error.value)
    services.assessment_recheck(
        by=f.kaddrin(), referral=referral, changed=False, interpreted_by="The district's service"
    )
    assert book(referral).status == "booked"


def test_an_expired_assessment_blocks_booking_until_it_was_asked_again() -> None:
    referral = f.a_referral("to_book")
    due = referral.due_on
    with ExitStack() as later:
        f.days_later(later, 57)
        with pytest.raises(RoundbookError) as error:
            book(referral)
        assert error.value.data["blocks"] == ["expired"]
        with pytest.raises(RoundbookError) as error:
            services.assessment_recheck(by=f.kaddrin(), referral=referral, changed=True)
        assert error.value.code == "assess_anew"
        made = services.assessment_recheck(by=f.kaddrin(), referral=referral, changed=False)
        assert (referral.state, referral.due_on) == ("to_book", due)
        assert book(referral).status == "booked"
    first = Assessment.objects.order_by("pk").first()
    assert made.recheck_of == first
    assert {key: getattr(made, key) for key in QUESTIONS} == {key: getattr(first, key) for key in QUESTIONS}
    assert made.made_on == WEDNESDAY + timedelta(days=57)


def test_an_assessment_of_before_that_asked_less_is_made_anew() -> None:
    referral = f.a_referral("to_assess")
    f.assess(referral)
    Assessment.objects.create(
        referral=referral, outcome="fit", anticoagulants=False, diabetes=False, kidney_disease=False, interpreter=False,
        escort=True, made_on=WEDNESDAY, made_by=f.liora(),
    )  # fmt: skip
    with pytest.raises(RoundbookError) as error:
        book(referral)
    assert set(error.value.data["blocks"]) == {"unanswered", "preparation_missing"}
    with pytest.raises(RoundbookError) as error:
        services.assessment_recheck(by=f.kaddrin(), referral=referral, changed=False)
    assert error.value.code == "assess_anew"
    f.assess(referral)
    assert book(referral).status == "booked"


@pytest.mark.parametrize(
    ("outcome", "state", "pool", "rule"),
    [
        ("fit", "to_book", "coordinators", "book"),
        ("alternative", "to_book", "coordinators", "book"),
        ("unfit_until", "paused_until", "coordinators", "pause"),
        ("unfit", "to_assess", "clinicians", "doctor"),
        ("doctor", "to_assess", "clinicians", "doctor"),
        ("declines", "undecided", "clinicians", "declines"),
    ],
)
def test_each_outcome_leads_somewhere_and_closes_nothing(
    outcome: str, state: str, pool: str, rule: str
) -> None:
    referral = f.a_referral("to_assess")
    until = WEDNESDAY + timedelta(days=90) if outcome == "unfit_until" else None
    f.assess(referral, outcome=outcome, plan="Pneumonia; ask the lung clinic.", until=until)
    assert (referral.state, referral.pool) == (state, pool)
    assert referral.moves.latest("seq").rule == rule
    assert referral.due_on == (until or referral.due_on)
    assert referral.due_on > WEDNESDAY
    assert referral.close_reason == ""
    if outcome not in {"fit", "alternative"}:
        with pytest.raises(RoundbookError):
            book(referral)


def test_only_a_clinician_says_unfit_until_and_never_beyond_a_year() -> None:
    referral = f.a_referral("to_assess")
    given = {"outcome": "unfit_until", "plan": "x"}
    with pytest.raises(NotAllowed):
        f.assess(referral, by=f.kaddrin(), until=WEDNESDAY + timedelta(days=9), **given)
    assert refused(referral, until=WEDNESDAY + timedelta(days=366), **given).code == "pause_too_long"
    assert refused(referral, until=None, **given).code == "assessment_incomplete"
    assert not Assessment.objects.exists()


def test_after_the_doctors_decision_the_way_goes_on() -> None:
    referral = f.a_referral("to_assess")
    f.assess(referral, outcome="doctor", answers={}, plan="Can the blood thinner be stopped?")
    f.assess(referral, by=f.emrik())
    assert (referral.state, book(referral).status) == ("to_book", "booked")


def test_assessing_a_booked_person_again_keeps_day_and_reason() -> None:
    referral = f.a_referral("booked")
    due = referral.due_on
    f.assess(referral)
    assert (referral.state, referral.due_on, referral.moves.latest("seq").rule) == ("booked", due, "booked")


@pytest.mark.parametrize(
    ("given", "wall"),
    [
        ({"outcome": "fit", "anticoagulants": None}, "bookable_assessment_is_answered"),
        ({"outcome": "fit", "anticoagulants": True}, "blood_thinners_and_conditions_need_a_plan"),
        ({"outcome": "fit", "kidney_disease": True, "preparation": "phosphate"}, "kidneys_allow_the_preparation"),
        ({"outcome": "unfit_until"}, "unfit_until_has_its_day"),
        ({"outcome": "fit", "until": WEDNESDAY}, "unfit_until_has_its_day"),
    ],
)  # fmt: skip
def test_the_database_refuses_what_no_form_may_let_through(given: dict[str, object], wall: str) -> None:
    referral = f.a_referral("to_assess")
    row = {"referral": referral, "made_on": WEDNESDAY, "made_by": f.liora()} | f.ANSWERS | given
    with pytest.raises(IntegrityError, match=wall), transaction.atomic():
        Assessment.objects.create(**row)


def test_the_page_says_what_blocks_booking_and_offers_what_settles_it(page: Client) -> None:
    referral = f.a_referral("to_assess")
    f.assess(referral, answers=f.ANSWERS | {"interpreter": True})
    address = reverse("results:referral", args=[referral.pk])
    text = page.get(address).content.decode()
    assert "Nothing can be asked for or booked yet" in text
    assert "Arrange one, and write who interprets." in text
    assert "(H43)" in text
    assert 'id="do-recheck"' in text
    assert 'id="h-book"' not in text
    typed = {"recheck-changed": "no", "recheck-interpreted_by": "The district's service"}
    assert page.post(reverse("results:referral-do", args=[referral.pk, "recheck"]), typed).status_code == 302
    text = page.get(address).content.decode()
    assert "Nothing can be asked for or booked yet" not in text
    assert 'id="h-book"' in text
    assert "The district&#x27;s service" in text
    assert "Holds up to 12 Aug 2026" in text


def test_the_form_keeps_what_was_typed_and_names_each_gap_at_its_field(page: Client) -> None:
    referral = f.a_referral("to_assess")
    typed = {f"assess-{key}": "yes" if value else "no" for key, value in f.ANSWERS.items()}
    typed |= {"assess-outcome": "fit", "assess-anticoagulants": "yes", "assess-plan": "Kept words."}
    address = reverse("results:referral-do", args=[referral.pk, "assess"])
    answer = page.post(address, typed)
    text = answer.content.decode()
    assert answer.status_code == 422
    for words in ("Write the plan for the blood thinners.", "Choose the bowel preparation.", "Kept words."):
        assert words in text
    typed.pop("assess-iron")
    assert "Answer yes or no." in page.post(address, typed).content.decode()
    typed["assess-outcome"] = "doctor"
    assert page.post(address, typed).status_code == 302
    assert Referral.objects.get(pk=referral.pk).pool == "clinicians"
    assert Assessment.objects.get().iron is None
    assert (
        "unfit until a day" not in page.get(reverse("results:referral", args=[referral.pk])).content.decode()
    )


def test_a_recheck_needs_an_assessment_to_look_at() -> None:
    referral = f.a_referral("to_assess")
    with pytest.raises(IllegalMove):
        services.assessment_recheck(by=f.kaddrin(), referral=f.a_referral("to_reach"), changed=False)
    with pytest.raises(IllegalMove) as error:
        services.assessment_recheck(by=f.kaddrin(), referral=referral, changed=False)
    assert error.value.code == "nothing_to_recheck"
