"""A second person who is somewhere else (ruling R14): asked at one screen, agreed at another; nothing changes before."""

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from results.models import AskedSecond, LookBack, LookBackRow, Referral, Result, Sample
from results.services.asked_second import Question, second_ask, second_ask_take_back, second_decide
from results.services.authorise import results_release_below
from results.services.authorise_amend import result_withdraw
from results.services.look_back import look_back_open
from staff.errors import IllegalMove, RoundbookError
from tests import cast
from tests import lab_bench as bench
from tests.results.test_changes import a_result_below, amend, read_higher

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
OUT = (Decimal("130"), Decimal("480"))
"""The first control more than three of its SDs above its target."""
ELSEWHERE = {"amend-second": "", "amend-second_password": "", "amend-elsewhere": "on"}


def decide(client: Client, asked: AskedSecond, **facts: str) -> str:
    answer = client.post(reverse("results:asked-decide", args=[asked.pk]), facts, follow=True)
    assert answer.status_code == 200
    return answer.content.decode()


def test_an_amendment_waits_for_somebody_elsewhere_and_is_done_as_they_agree(signed_in: SignIn) -> None:
    result = a_result_below()
    read_higher(result)
    technician = signed_in(cast.LABORATORY)
    page = amend(technician, result, **ELSEWHERE).content.decode()  # type: ignore[attr-defined]
    assert "Nothing has changed yet" in page
    assert Result.objects.count() == 1
    asked = AskedSecond.objects.get()
    assert "somebody else decides" in decide(technician, asked, agree="1")
    assert Result.objects.count() == 1, "whoever asked cannot agree"

    clinician = signed_in(cast.CLINICIAN)
    shown = clinician.get(reverse("results:asked")).content.decode()
    assert result.sample.serial in shown
    assert "Read again." in shown
    assert "Agreed, and done." in decide(clinician, asked, agree="1")
    new = Result.objects.get(sample=result.sample, is_current=True)
    assert (new.version, new.side) == (2, "at_or_above")
    assert Referral.objects.get().state == "to_reach"
    asked.refresh_from_db()
    assert (asked.verdict, asked.decided_by_id == asked.asked_by_id) == ("agreed", False)
    assert str(asked.decided_by) in new.reason
    assert "decided already" in decide(clinician, asked, refuse="1", note="Too late.")


def test_what_is_not_agreed_changes_nothing_and_keeps_the_words(signed_in: SignIn) -> None:
    result = a_result_below()
    asked = second_ask(by=bench.technician(), question=Question("withdraw", "Rack mixed up.", result=result))
    clinician = signed_in(cast.CLINICIAN)
    assert "Write why you do not agree." in decide(clinician, asked, refuse="1")
    assert "Not agreed" in decide(clinician, asked, refuse="1", note="The rack was right.")
    result.refresh_from_db()
    assert result.is_current
    assert "The rack was right." in clinician.get(reverse("results:asked")).content.decode()


def test_a_result_is_asked_about_once_at_a_time_and_a_question_can_be_taken_back() -> None:
    result, by = a_result_below(), bench.technician()
    question = Question("withdraw", "Rack mixed up.", result=result)
    asked = second_ask(by=by, question=question)
    with pytest.raises(RoundbookError, match="waits for a second person already"):
        second_ask(by=bench.lead(), question=question)
    with pytest.raises(RoundbookError, match="Only the one who asked"):
        second_ask_take_back(by=bench.lead(), asked_id=asked.pk)
    second_ask_take_back(by=by, asked_id=asked.pk)
    assert second_ask(by=by, question=question).pk != asked.pk
    with pytest.raises(RoundbookError, match="Write why"):
        second_ask(by=by, question=Question("withdraw", " ", result=result))


def test_what_the_facts_no_longer_allow_is_refused_and_the_question_stays() -> None:
    result = a_result_below()
    asked = second_ask(by=bench.technician(), question=Question("withdraw", "Rack mixed up.", result=result))
    result_withdraw(by=bench.technician(), result=result, reason="Done here.", second=bench.lead())
    with pytest.raises(IllegalMove, match="newer version"):
        second_decide(by=bench.lead(), asked_id=asked.pk, agree=True)
    asked.refresh_from_db()
    assert asked.verdict == ""


@pytest.mark.parametrize(("what", "state"), [("retest", "repeat"), ("release", "ready_to_authorise")])
def test_a_held_run_is_settled_from_elsewhere(signed_in: SignIn, what: str, state: str) -> None:
    sample = bench.a_sample()
    run = bench.measured([(sample, "50")], end=OUT)
    assert run.status == "held"
    facts = {"what": what, "resolution": "Control vial was warm.", "elsewhere": "on"}
    page = signed_in(cast.LABORATORY).post(reverse("results:run-settle", args=[run.pk]), facts, follow=True)
    assert "Asked." in page.content.decode()
    assert Sample.objects.get(pk=sample.pk).state == "held"
    shown = " ".join(signed_in(cast.CLINICIAN).get(reverse("results:asked")).content.decode().split())
    assert "Samples it holds</dt><dd>1</dd>" in shown
    assert "130" in shown
    second_decide(by=bench.lead(), asked_id=AskedSecond.objects.get().pk, agree=True)
    assert Sample.objects.get(pk=sample.pk).state == state


def test_samples_of_a_look_back_are_decided_from_elsewhere(signed_in: SignIn) -> None:
    result = a_result_below()
    look_back = look_back_open(
        by=bench.lead(), kind="run", ref=result.run_id, reason="Control drifted later."
    )
    facts = {"action": "retest", "reason": "Measure again.", "elsewhere": "on", "all": "1"}
    client = signed_in(cast.LABORATORY)
    client.post(reverse("results:look-back-decide", args=[look_back.pk]), facts)
    assert LookBackRow.objects.get().action == ""
    asked = AskedSecond.objects.get()
    assert "1 sample" in signed_in(cast.CLINICIAN).get(reverse("results:asked")).content.decode()
    second_decide(by=bench.lead(), asked_id=asked.pk, agree=True)
    assert LookBackRow.objects.get().action == "retest"
    assert LookBack.objects.get().closed_at is None


def test_the_database_knows_who_may_decide_and_that_it_is_once() -> None:
    result = a_result_below()
    asked = second_ask(by=bench.technician(), question=Question("withdraw", "Rack mixed up.", result=result))
    mine = {"verdict": "agreed", "decided_by": asked.asked_by, "decided_at": asked.asked_at}
    with pytest.raises(IntegrityError, match="asked_second_is_somebody_else"), transaction.atomic():
        AskedSecond.objects.filter(pk=asked.pk).update(**mine)
    with (
        pytest.raises(IntegrityError, match="asked_second_decided_has_person_and_time"),
        transaction.atomic(),
    ):
        AskedSecond.objects.filter(pk=asked.pk).update(verdict="agreed")
    with pytest.raises(IntegrityError, match="asked_second_about_one_thing"), transaction.atomic():
        AskedSecond.objects.create(
            kind="settle", result=result, words="x", asked_by=asked.asked_by, asked_at=asked.asked_at,
            due_on=asked.due_on,
        )  # fmt: skip
    second_decide(by=bench.lead(), asked_id=asked.pk, agree=False, note="No.")
    with pytest.raises(DatabaseError, match="decided already"), transaction.atomic():
        AskedSecond.objects.filter(pk=asked.pk).update(verdict="agreed")
    assert results_release_below(by=bench.lead()) == 0
