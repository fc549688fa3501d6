"""The written end: nothing closes without its evidence, and the person goes back with the right date."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import connection

from results.models import ClosingEvidence, NextStep, Referral, Result
from results.services import referrals as services
from results.states import REFERRAL_CLOSE_REASONS, REFERRAL_OPEN, REFERRAL_SIDE
from screening.models import Exclusion, Person, Round
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
WEDNESDAY = date(2026, 6, 17)


def round_of(referral: Referral) -> Round:
    """The round whose result called for this referral."""
    return Round.objects.get(results__referral_link__referral=referral)


def due_of(referral: Referral) -> date | None:
    """When the person is next due."""
    return Person.objects.get(pk=referral.person_id).next_due_on


def test_no_state_closes_for_any_reason_without_evidence() -> None:
    # H18, over every open state and every reason.
    for state in [*REFERRAL_OPEN, *REFERRAL_SIDE]:
        referral = f.a_referral(state)
        for reason in REFERRAL_CLOSE_REASONS:
            with pytest.raises(RoundbookError) as refused:
                services.referral_close(by=f.kaddrin(), referral=referral, reason=reason, note="done")
            assert refused.value.code == "evidence_missing", (state, reason)
    assert not ClosingEvidence.objects.exists()
    with pytest.raises(RoundbookError) as refused:
        services.referral_close(by=f.liora(), referral=referral, reason="tired of it")
    assert refused.value.code == "unknown_close_reason"


def test_the_whole_way_returns_the_person_one_interval_after_the_examination() -> None:
    referral = f.a_referral("booked")
    assert (due_of(referral), round_of(referral).state) == (None, "follow_up")
    f.report(referral)
    f.sign(referral)
    assert (referral.state, due_of(referral)) == ("to_classify", None)
    with pytest.raises(RoundbookError):
        services.referral_close(by=f.kaddrin(), referral=referral, reason="informed_refusal")
    made = services.referral_close(by=f.kaddrin(), referral=referral, reason="next_step_signed")
    assert (referral.state, referral.close_reason, referral.due_on, referral.owner, referral.pool) == (
        "closed", "next_step_signed", None, None, "",
    )  # fmt: skip
    assert made.next_step == NextStep.objects.get()
    assert (round_of(referral).state, round_of(referral).close_reason) == ("closed", "follow_up_concluded")
    assert due_of(referral) == date(2028, 6, 17)


def test_signing_and_closing_is_one_act() -> None:
    referral = f.a_referral("histology_due")
    with pytest.raises(IllegalMove) as refused:
        f.sign(referral, finding="non_advanced")
    assert refused.value.code == "not_to_classify"
    services.histology_record(
        by=f.kaddrin(), referral=referral, histology="Tubular, 4 mm.", finding="non_advanced"
    )
    f.sign(referral, finding="non_advanced", on=date(2028, 1, 10), close=True)
    assert (referral.state, due_of(referral)) == ("closed", date(2028, 1, 10))
    assert NextStep.objects.get().histology == "Tubular, 4 mm."


def test_only_a_clinician_signs() -> None:
    referral = f.a_referral("to_classify")
    with pytest.raises(NotAllowed):
        f.sign(referral, by=f.kaddrin(), finding="non_advanced")


@pytest.mark.parametrize(("step", "kind"), [("surveillance", "surveillance"), ("treatment", "cancer_care")])
def test_surveillance_and_treatment_keep_the_person_from_being_invited(step: str, kind: str) -> None:
    referral = f.a_referral("to_classify")
    finding = "cancer" if step == "treatment" else "advanced_adenoma"
    on = date(2029, 6, 17) if step == "surveillance" else None
    why = "The conference read the slides again."
    f.sign(referral, finding=finding, step=step, words="As decided.", on=on, close=True, deviation=why)
    assert due_of(referral) is None
    made = Exclusion.objects.get(person_id=referral.person_id)
    assert (made.kind, made.confirmed, made.until) == (kind, True, None)
    assert made.person.not_due_code == ("in_surveillance" if step == "surveillance" else "excluded_for_good")


def test_a_refusal_is_a_clinicians_talk_and_the_person_comes_back() -> None:
    referral = f.a_referral()
    services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome="spoke", wish="declines")
    close = {"referral": referral, "reason": "informed_refusal", "note": "Understands; does not want it."}
    with pytest.raises(RoundbookError) as refused:
        services.referral_close(by=f.kaddrin(), **close)
    assert refused.value.data["evidence"] == ["clinician", "clinician_talk"]
    with pytest.raises(RoundbookError, match="No talk of a clinician") as refused:
        services.referral_close(by=f.emrik(), **close)
    assert refused.value.data["evidence"] == ["clinician_talk"]
    services.contact_attempt_record(by=f.emrik(), referral=referral, outcome="spoke", wish="declines")
    made = services.referral_close(by=f.emrik(), **close)
    assert (made.clinician, referral.close_reason, due_of(referral)) == (
        f.emrik(),
        "informed_refusal",
        date(2028, 6, 17),
    )


def unreached(referral: Referral) -> None:
    """The least that "could not be reached" asks for, over 22 days."""
    for days, channel in ((0, "phone"), (1, "phone"), (5, "phone"), (6, "letter"), (13, "tracked")):
        with ExitStack() as later:
            f.days_later(later, days)
            outcome = "no_answer" if channel == "phone" else "sent"
            services.contact_attempt_record(
                by=f.kaddrin(), referral=referral, channel=channel, outcome=outcome
            )


def test_could_not_be_reached_takes_two_people() -> None:
    referral = f.a_referral()
    unreached(referral)
    with ExitStack() as later:
        f.days_later(later, 20)
        with pytest.raises(RoundbookError):
            services.referral_close_propose(by=f.kaddrin(), referral=referral)
        f.days_later(later, 1)
        with pytest.raises(RoundbookError) as refused:
            services.referral_close(by=f.kaddrin(), referral=referral, reason="not_reached")
        assert refused.value.data["evidence"] == ["second_person"]
        services.referral_close_propose(by=f.kaddrin(), referral=referral, note="letters came back")
        with pytest.raises(RoundbookError):
            services.referral_close(by=f.kaddrin(), referral=referral, reason="not_reached")
        services.referral_claim(by=f.liora(), referral=referral)
        made = services.referral_close(by=f.liora(), referral=referral, reason="not_reached")
    assert (made.second_person, made.closed_by) == (f.kaddrin(), f.liora())
    assert due_of(referral) == date(2028, 6, 17)


def test_a_new_attempt_ends_a_proposal() -> None:
    referral = f.a_referral()
    unreached(referral)
    with ExitStack() as later:
        f.days_later(later, 22)
        services.referral_close_propose(by=f.kaddrin(), referral=referral)
        services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome="no_answer")
        with pytest.raises(RoundbookError):
            services.referral_close(by=f.liora(), referral=referral, reason="not_reached")


@pytest.mark.parametrize(
    ("reason", "more", "due"),
    [
        ("already_examined", {"document": "REP-7", "examined_on": date(2025, 11, 2)}, date(2027, 11, 2)),
        ("examined_elsewhere", {"document": "REP-8"}, date(2028, 6, 17)),
        ("unfit_for_good", {"note": "Severe heart failure."}, None),
        ("transferred", {"document": "RECEIPT-1"}, None),
    ],
)
def test_other_ends(reason: str, more: dict[str, object], due: date | None) -> None:
    referral = f.a_referral()
    services.referral_close(by=f.emrik(), referral=referral, reason=reason, **more)
    assert (referral.close_reason, due_of(referral)) == (reason, due)


def test_death_closes_only_when_the_register_says_so() -> None:
    referral = f.a_referral()
    with pytest.raises(RoundbookError) as refused:
        services.referral_close(by=f.kaddrin(), referral=referral, reason="died")
    assert refused.value.data["evidence"] == ["death"]
    Person.objects.filter(pk=referral.person_id).update(deceased_on=WEDNESDAY)
    services.referral_close(by=f.kaddrin(), referral=referral, reason="died")
    assert (referral.state, due_of(referral)) == ("closed", None)
    with pytest.raises(IllegalMove) as refused:
        services.referral_reopen(by=f.liora(), referral=referral, note="alive after all")
    assert refused.value.code == "person_died"


def test_a_withdrawn_result_ends_its_referral() -> None:
    referral = f.a_referral()
    Result.objects.filter(referral_link__referral=referral).update(is_current=False, is_deciding=False)
    services.referral_close(by=f.emrik(), referral=referral, reason="result_withdrawn")
    assert due_of(referral) == WEDNESDAY


def test_a_report_after_signing_needs_another_signature() -> None:
    referral = f.a_referral("booked")
    f.report(referral)
    f.sign(referral)
    services.repeat_plan(
        by=f.emrik(), referral=referral, on=WEDNESDAY + timedelta(days=90), note="site check"
    )
    services.booking_make(
        by=f.liora(), referral=referral, site=f.unit(), day=WEDNESDAY, time=f.HALF_PAST_NINE
    )
    f.report(referral, report_document="REP-2")
    with pytest.raises(RoundbookError) as refused:
        services.referral_close(by=f.liora(), referral=referral, reason="next_step_signed")
    assert refused.value.data["evidence"] == ["next_step"]


def test_opening_again_puts_person_and_round_back() -> None:
    referral = f.a_referral()
    services.referral_close(by=f.emrik(), referral=referral, reason="unfit_for_good", note="Severe illness.")
    assert Exclusion.objects.filter(person_id=referral.person_id, until=None).exists()
    with pytest.raises(RoundbookError):
        services.referral_reopen(by=f.kaddrin(), referral=referral, note=" ")
    services.referral_reopen(by=f.kaddrin(), referral=referral, note="Recovered, asks for it.")
    assert (referral.state, referral.due_on, referral.pool) == ("to_reach", date(2026, 6, 18), "coordinators")
    assert (round_of(referral).state, due_of(referral)) == ("follow_up", None)
    assert not Exclusion.objects.filter(person_id=referral.person_id, until=None).exists()


def test_the_services_are_quick_enough_for_a_rehearsal() -> None:
    # The whole way is fifteen statements or so a service; counted, because a clock would only measure the machine.
    from django.test.utils import CaptureQueriesContext

    referral = f.a_referral("booked")
    with CaptureQueriesContext(
        connection,
    ) as seen:
        f.report(referral)
        f.sign(referral, close=True)
    assert len(seen) <= 70
    assert clock.today() == WEDNESDAY
