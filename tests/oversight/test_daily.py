"""The daily duties: once a day, again after a failure, and an alarm for every run that found a P1."""

from datetime import timedelta

import pytest
from django.core import mail

from oversight.models import ProofRun
from oversight.services import daily
from oversight.services.daily import alarm_send, daily_duties
from oversight.services.proofs import prove, prove_once
from screening.models import Person, RegisterComparison, RegisterLoad, Round
from staff import clock
from staff.models import Duty, User
from tests import cast, factories
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")


def test_duties_are_done_once_a_day() -> None:
    round_ = factories.a_round(sent_days_ago=95)
    system = User.objects.system()
    first, second = daily_duties(by=system), daily_duties(by=system)
    assert first == {
        "months": True,
        "protocol": True,
        "close-unreturned": True,
        "due-sweep": True,
        "kept-answers": True,
        "surveillance": True,
        "duplicates": True,
        "register-compare": False,
        "feed-alarm": False,
        "coverage": True,
        "seal": True,
        "prove": True,
        "alarm": False,
        "papers": True,
        "journal-age": False,
    }
    assert set(second.values()) == {False}
    assert Round.objects.get(pk=round_.pk).close_reason == "not_returned"
    assert ProofRun.objects.count() == 1
    with clock.at(clock.now() + timedelta(days=1)):
        assert daily_duties(by=system)["prove"] is True


def test_a_duty_that_fails_does_not_stop_the_others_and_is_tried_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    system = User.objects.system()

    def fails(**_: object) -> int:
        raise RuntimeError("out of order")

    with monkeypatch.context() as patch:
        patch.setattr(daily, "rounds_close_unreturned", fails)
        with pytest.raises(RuntimeError, match="out of order"):
            daily_duties(by=system)
    assert ProofRun.objects.count() == 1
    assert not Duty.objects.filter(duty="close-unreturned").exists()
    assert daily_duties(by=system)["close-unreturned"] is True


def test_the_proof_of_a_day_is_made_once() -> None:
    today = clock.today()
    assert prove_once(by=User.objects.system(), on=today) is not None
    assert prove_once(by=User.objects.system(), on=today) is None


def test_a_violated_p1_is_written_to_managers_and_administrators_once_a_run() -> None:
    system = User.objects.system()
    worked.came_back(worked.invited(clock.today() - timedelta(days=40)), clock.today() - timedelta(days=9))
    run = prove(by=cast.member(cast.MANAGER))
    assert run.results.get(check_name="I18").violating == 1
    assert (alarm_send(by=system), alarm_send(by=system)) == (True, False)
    (letter,) = mail.outbox
    assert set(letter.to) == {"sefrin@example.org", "ansel@example.org"}
    assert "I18" in letter.body
    assert "Tovelin" not in letter.body
    prove(by=cast.member(cast.MANAGER))
    assert alarm_send(by=system) is True


def test_nobody_is_written_to_when_everything_holds() -> None:
    prove(by=cast.member(cast.MANAGER))
    assert alarm_send(by=User.objects.system()) is False
    assert mail.outbox == []


# Source: the programme's job description 2.1, exception 8: a missing or half-empty feed is an alarm.
def test_a_stale_register_is_written_about_once_a_day_and_everybody_is_compared_on_mondays() -> None:
    system = User.objects.system()
    people = [factories.a_person()]
    load = RegisterLoad.objects.create(
        file_name="f.csv", sha256="0" * 64, status="applied", staged_by=system, staged_at=clock.now(),
        applied_by=system, applied_at=clock.now(),
    )  # fmt: skip
    Person.objects.filter(pk__in=[p.pk for p in people]).update(last_feed=load)
    with clock.at(clock.now() + timedelta(days=3)):
        assert daily_duties(by=system)["feed-alarm"] is False
    monday = clock.now() + timedelta(days=5)
    with clock.at(monday):
        done = daily_duties(by=system)
        assert (done["feed-alarm"], done["register-compare"]) == (True, True)
        assert daily_duties(by=system)["feed-alarm"] is False
        stale = [m for m in mail.outbox if "no register file for 5 days" in m.subject]
        assert len(stale) == 1
        assert people[0].family_name not in stale[0].body
        assert RegisterComparison.objects.get().at == monday
