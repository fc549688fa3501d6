"""The two pages of oversight: what they show, to whom, and what they never show."""

import json
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from oversight.models import ProofRun
from oversight.services.proofs import prove
from results.models import CutoffRule
from staff import clock
from tests import cast
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]

DASHBOARD = "/how-are-we-doing/"
PROOF = "/nobody-falls-through/"


def some_people() -> None:
    """One result below, one at or above, one person who has not answered."""
    sent = clock.today() - timedelta(days=40)
    worked.released(
        worked.came_back(worked.invited(sent), sent + timedelta(days=10)), sent + timedelta(days=11)
    )
    worked.released(
        worked.came_back(worked.invited(sent, sex="male"), sent + timedelta(days=12)),
        sent + timedelta(days=13),
        high=True,
    )
    worked.invited(sent, area="NOR")


@pytest.mark.parametrize("by", ["month", "sex", "age", "area"])
def test_dashboard_shows_counts_basis_and_maturity(signed_in: SignIn, by: str) -> None:
    some_people()
    page = signed_in(cast.MANAGER).get(DASHBOARD, {"by": by})
    assert page.status_code == 200
    text = page.content.decode()
    assert "2 of 3; 95 % interval" in text
    assert "Too few to judge" in text
    assert "of the window has passed" in text
    assert "Tovelin" not in text


def test_dashboard_of_an_empty_register_says_so(signed_in: SignIn) -> None:
    text = signed_in(cast.AUDITOR).get(DASHBOARD).content.decode()
    assert "Nobody is counted here in this period." in text
    assert "The proof has not run yet." in text


def test_a_period_that_runs_backwards_is_answered_in_words(signed_in: SignIn) -> None:
    page = signed_in(cast.MANAGER).get(DASHBOARD, {"from": "2026-06-01", "to": "2026-05-01"})
    text = page.content.decode()
    assert page.status_code == 200
    assert "The last day lies before the first." in text


def test_a_day_that_is_none_is_answered_in_words(signed_in: SignIn) -> None:
    text = signed_in(cast.MANAGER).get(DASHBOARD, {"from": "31 June", "by": "shoe"}).content.decode()
    assert "From: Enter a valid date." in text
    assert "Cut by:" in text


def test_a_new_cutoff_is_drawn_as_a_break(signed_in: SignIn) -> None:
    page = signed_in(cast.MANAGER).get(DASHBOARD)
    assert page.context["page"].breaks == []
    rule = CutoffRule.objects.get()
    rule.valid = type(rule.valid)(date(2026, 4, 1), None)
    rule.save()
    (found,) = signed_in(cast.MANAGER).get(DASHBOARD).context["page"].breaks
    assert (found.month, str(found.words)) == ("2026-04-01", "cutoff 20 µg/g")


@pytest.mark.parametrize("username", [cast.FRONT_DESK, cast.PHONE_DESK, cast.LABORATORY])
@pytest.mark.parametrize("address", [DASHBOARD, PROOF])
def test_others_may_not_open_them(signed_in: SignIn, username: str, address: str) -> None:
    assert signed_in(username).get(address).status_code == 403


def test_proof_before_the_first_run(signed_in: SignIn) -> None:
    text = signed_in(cast.MANAGER).get(PROOF).content.decode()
    assert "Nothing has been checked yet." in text
    assert "Run it now" in text


def test_run_it_now_checks_and_shows_what_holds(signed_in: SignIn) -> None:
    some_people()
    client = signed_in(cast.COORDINATOR)
    page = client.post(f"{PROOF}run/", follow=True)
    run = ProofRun.objects.get()
    assert run.run_by == cast.member(cast.COORDINATOR)
    text = page.content.decode()
    assert "Show me the proof" in text
    assert "SELECT &#x27;referral&#x27; AS thing" in text
    assert "1 of 1 do not hold." in text  # the result at or above has no letter
    assert "Tovelin" not in text
    assert client.get(f"{PROOF}run/").status_code == 405


def test_what_does_not_hold_comes_first(signed_in: SignIn) -> None:
    some_people()
    prove(by=cast.member(cast.MANAGER))
    findings = signed_in(cast.MANAGER).get(f"{PROOF}checks/").context["findings"]
    tones = [f.tone for f in findings]
    assert tones == sorted(tones, key=["stop", "warn", "quiet", "ok"].index)
    assert {"I3", "I10", "I10b"} <= {f.check.name for f in findings if f.tone != "ok"}


def test_indicators_command(capsys: pytest.CaptureFixture) -> None:
    some_people()
    call_command("indicators", "--from", "2026-05-01", "--to", "2026-05-31", "--by", "sex", "--json")
    answer = json.loads(capsys.readouterr().out)
    assert answer["total"]["uptake_90"]["numerator"] == 2
    assert answer["total"]["uptake_90"]["denominator"] == 3
    assert answer["counts"]["at_or_above"] == 1
    assert [row["key"] for row in answer["rows"]] == ["female", "male"]
    call_command("indicators")
    assert "too few to judge" in capsys.readouterr().out


def test_indicators_command_counts_only_whom_it_is_asked_for(capsys: pytest.CaptureFixture) -> None:
    some_people()
    period = ("--from", "2026-05-01", "--to", "2026-05-31")
    call_command("indicators", *period, "--json")
    whole = json.loads(capsys.readouterr().out)["total"]["uptake_90"]["denominator"]
    call_command("indicators", *period, "--only", "sex=female", "--json")
    women = json.loads(capsys.readouterr().out)
    call_command("indicators", *period, "--only", "sex=male", "--json")
    men = json.loads(capsys.readouterr().out)
    parts = [one["total"]["uptake_90"]["denominator"] for one in (women, men)]
    assert 0 < min(parts) <= sum(parts) == whole
    assert (women["only"], women["counts"]) == ({"sex": "female"}, {})
    call_command("indicators", *period, "--only", "sex=female")
    assert "Calls answered within two minutes: not by sex" in capsys.readouterr().out
    for said, words in (
        ("sex", "write it as"),
        ("sex=none", "Sex: There is no"),
        ("height=2", "“height” is no filter"),
    ):
        with pytest.raises(CommandError, match=words):
            call_command("indicators", *period, "--only", said)


def test_indicators_command_wants_days() -> None:
    with pytest.raises(CommandError, match="write it as"):
        call_command("indicators", "--from", "1 May")
