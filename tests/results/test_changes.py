"""Amendments and withdrawals through their pages, at each state of the letter; release by rule; the margin at the cutoff."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from oversight.rehearsal.setting import DEMO_PASSWORD
from results.models import Reading, Referral, Result, ResultsPolicy, Sample
from results.services.authorise import candidate_for, results_release_below
from results.services.auto_release import results_release_by_rule
from results.services.runs import run_close
from staff import clock
from staff.models import User
from tests import cast, factories
from tests import lab_bench as bench
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
OFFICE = cast.COORDINATOR


def a_result_below() -> Result:
    sample = bench.a_sample()
    bench.measured([(sample, "50")])
    assert results_release_below(by=bench.lead()) == 1
    return Result.objects.get(sample=sample)


def read_higher(result: Result) -> None:
    """A second reading of the same sample in a later run in control: 400 ng/mL."""
    run = bench.an_open_run()
    Reading.objects.create(
        sample=result.sample, run=run, running_number=1, raw="400", value=400, unit="ng/mL", analysed_on=clock.today(),
        read_at=clock.now(), file=result.reading.file,
    )  # fmt: skip
    run_close(by=bench.technician(), run=run, readings=bench.controls())


def amend(client: Client, result: Result, **facts: object) -> object:
    newest = result.sample.readings.order_by("-pk").first()
    assert newest is not None
    given = {
        "what": "amend", "amend-reading": newest.pk, "amend-reason": "Read again.", "amend-second": bench.lead().pk,
        "amend-second_password": DEMO_PASSWORD,
    } | facts  # fmt: skip
    return client.post(reverse("results:change", args=[result.pk]), given, follow=True)


def bring_letter_to(stage: str) -> None:
    letters_plan(by=factories.by_default())
    if stage == "frozen":
        letters_freeze(by=User.objects.get(username=OFFICE))


@pytest.mark.parametrize("stage", ["planned", "frozen"])
def test_h14_letters_of_the_old_version_that_have_not_left_are_replaced(
    signed_in: SignIn, stage: str
) -> None:
    # Source: job hazard H14 (amended result, old letter posted).
    result = a_result_below()
    client = signed_in(cast.LABORATORY)
    with clock.at(NOON + timedelta(days=7)):
        bring_letter_to(stage)
        read_higher(result)
        page = amend(client, result).content.decode()  # type: ignore[attr-defined]
        assert "Ring first" in page
        letters_plan(by=factories.by_default())
    old = Letter.objects.get(result=result, kind="result_below")
    assert old.state == "superseded"
    new = Result.objects.get(sample=result.sample, is_current=True)
    assert (new.version, new.side) == (2, "at_or_above")
    assert Referral.objects.get().state == "to_reach"
    assert Letter.objects.filter(result=new, kind="result_more_tests").exists()


def test_an_amendment_needs_a_reason_and_a_second_person(signed_in: SignIn) -> None:
    result = a_result_below()
    read_higher(result)
    client = signed_in(cast.LABORATORY)
    assert amend(client, result, **{"amend-reason": ""}).status_code == 422  # type: ignore[attr-defined]
    assert amend(client, result, **{"amend-second": bench.technician().pk}).status_code == 422  # type: ignore[attr-defined]
    assert amend(client, result, **{"amend-second_password": "guess"}).status_code == 422  # type: ignore[attr-defined]
    assert Result.objects.count() == 1


def test_a_result_is_taken_back_and_its_round_waits_again(signed_in: SignIn) -> None:
    result = a_result_below()
    client = signed_in(cast.LABORATORY)
    facts = {"what": "withdraw", "withdraw-reason": "Rack mixed up.", "withdraw-second": bench.lead().pk}
    assert client.post(reverse("results:change", args=[result.pk]), facts).status_code == 422
    facts["withdraw-second_password"] = DEMO_PASSWORD
    page = client.post(reverse("results:change", args=[result.pk]), facts, follow=True).content.decode()
    assert "taken back" in page
    assert Sample.objects.get(pk=result.sample_id).state == "repeat"
    result.round.refresh_from_db()
    assert result.round.state == "result_due"


def test_finding_a_result_and_its_letters(signed_in: SignIn) -> None:
    result = a_result_below()
    letters_plan(by=factories.by_default())
    client = signed_in(cast.LABORATORY)
    answer = client.get(reverse("results:changes"), {"serial": result.sample.serial})
    assert answer.url == reverse("results:change", args=[result.pk])
    page = client.get(answer.url).content.decode()
    assert result.shown in page
    assert (
        "no further tests"
        in client.get(reverse("outreach:round-panel", args=[result.round_id])).content.decode()
    )
    assert client.get(reverse("results:changes"), {"serial": "nonsense"}).status_code == 200


def policy(**facts: object) -> None:
    ResultsPolicy.objects.update(**facts)


def test_clean_results_below_go_by_themselves_only_where_the_protocol_says_so() -> None:
    low, high = bench.a_sample(), bench.a_sample()
    bench.measured([(low, "5"), (high, "400")])
    system = User.objects.system()
    assert results_release_by_rule(by=system) == 0
    policy(auto_release_below=True)
    assert results_release_by_rule(by=system) == 1
    assert Result.objects.get().authorised_by == system
    assert Sample.objects.get(pk=high.pk).state == "ready_to_authorise"
    assert results_release_by_rule(by=system) == 0


@pytest.mark.parametrize(("value", "near"), [("89.9", False), ("90", True), ("99.7", True)])
def test_results_near_under_the_cutoff_are_looked_at_where_the_protocol_says_so(
    value: str, near: bool
) -> None:
    # Cutoff 20 µg/g is 100 ng/mL at factor 0.2: ten per cent under it begins at 90 ng/mL.
    sample = bench.a_sample()
    policy(near_cutoff_percent=10)
    bench.measured([(sample, value)])
    assert [one.code for one in candidate_for(sample).obstacles] == (["near_cutoff"] if near else [])
    policy(near_cutoff_percent=0)


def test_letters_wait_some_minutes_after_a_release_in_which_it_can_be_taken_back(signed_in: SignIn) -> None:
    # Source: job 5.4: anything released is listed with a 5-minute hold before letters can be produced.
    policy(letter_hold_minutes=5)
    result = a_result_below()
    page = signed_in(cast.LABORATORY).get(reverse("results:release")).content.decode()
    assert reverse("results:change", args=[result.pk]) in page
    assert "before 5 minutes have passed" in page
    letters_plan(by=factories.by_default())
    with clock.at(NOON + timedelta(minutes=4)):
        assert letters_freeze(by=factories.by_default(), kind="result_below") == 0
    with clock.at(NOON + timedelta(minutes=5)):
        assert letters_freeze(by=factories.by_default(), kind="result_below") == 1
        assert (
            "Released just now"
            not in signed_in(cast.LABORATORY).get(reverse("results:release")).content.decode()
        )
