"""Samples past their age or expiry: off by default; where the protocol has them measured, only a high result counts.

Source: the asymmetric old-sample rule of the job (2.7), common practice, no published source; ruling R2 for the ages.
"""

from datetime import timedelta

import pytest

from results.models import InboxLine, Referral, Result, Sample
from results.services.authorise import (
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_not_needed,
)
from results.services.authorise_facts import candidates
from results.services.bench import bench_load
from screening.models import Lot, Return, ScreeningPolicy
from screening.services.intake import return_solve
from screening.services.intake_solve import Answer, consequence
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench
from tests.screening.intake import bench as desk

pytestmark = pytest.mark.usefixtures("region")


@pytest.fixture
def rule(region: object) -> None:
    """The medical lead has switched the rule on."""
    with acting(bench.lead()):
        ScreeningPolicy.objects.update(report_high_from_unfit=True)


def old(age: int = 15) -> Sample:
    """A sample this many days old."""
    return bench.a_sample(collected=clock.today() - timedelta(days=age))


def letter_reason(sample: Sample) -> str:
    """What the letter with the new kit says."""
    return sample.round.moves.order_by("-seq")[0].reason


@pytest.mark.usefixtures("rule")
def test_an_old_sample_below_is_reported_to_nobody_and_a_new_kit_is_sent() -> None:
    sample, fresh = old(), old(14)
    bench.measured([(sample, "5"), (fresh, "5")])
    assert [one.code for one in candidates([sample.pk])[0].obstacles] == ["only_high_counts"]
    with pytest.raises(RoundbookError) as refused:
        result_release_below(by=bench.lead(), sample=sample, reason="it looks fine")
    assert refused.value.code == "only_high_counts"
    assert results_release_below(by=bench.lead()) == 1
    for one in (sample, fresh):
        one.refresh_from_db()
        one.round.refresh_from_db()
    assert (fresh.state, fresh.round.state) == ("reported", "closed")
    assert (sample.state, sample.round.state, letter_reason(sample)) == ("unsuitable", "kit_due", "over_age")
    assert not Result.objects.filter(sample=sample).exists()
    assert results_release_below(by=bench.lead()) == 0, "safe to run twice"


@pytest.mark.usefixtures("rule")
def test_a_person_may_send_the_new_kit_at_once() -> None:
    sample = old()
    bench.measured([(sample, "5")])
    sample_not_needed(by=bench.lead(), sample=sample, reason="too old to count below")
    sample.refresh_from_db()
    sample.round.refresh_from_db()
    assert (sample.state, sample.round.state, letter_reason(sample)) == ("unsuitable", "kit_due", "over_age")


@pytest.mark.usefixtures("rule")
def test_an_old_sample_at_or_above_counts() -> None:
    sample = old(30)
    bench.measured([(sample, "900")])
    result = result_release_at_or_above(by=bench.lead(), sample=sample)
    sample.round.refresh_from_db()
    assert (result.side, sample.round.state) == ("at_or_above", "follow_up")
    assert Referral.objects.filter(person=sample.person).exclude(state="closed").count() == 1


@pytest.mark.usefixtures("rule")
def test_an_old_reading_that_could_be_either_waits_for_a_person_and_never_goes_out_below() -> None:
    sample = old()
    bench.measured([(sample, "<400")])
    assert results_release_below(by=bench.lead()) == 0
    assert candidates([sample.pk])[0].side.value == "needs_person"
    with pytest.raises(RoundbookError) as refused:
        result_release_below(by=bench.lead(), sample=sample, reason="most likely below")
    assert refused.value.code == "only_high_counts"


def test_the_bench_takes_an_old_vial_only_where_the_protocol_says_so() -> None:
    sample, run = old(), bench.an_open_run()
    with pytest.raises(RoundbookError) as refused:
        bench_load(by=bench.lead(), run=run, serial=sample.serial, position=1)
    assert refused.value.code == "over_age"
    with acting(bench.lead()):
        ScreeningPolicy.objects.update(report_high_from_unfit=True)
    assert bench_load(by=bench.lead(), run=run, serial=sample.serial, position=1).sample == sample


def test_off_by_default_an_old_sample_is_not_measured_at_all() -> None:
    assert not ScreeningPolicy.objects.filter(report_high_from_unfit=True).exists()
    sample = old()
    file = bench.load(bench.an_open_run(), [(sample.serial, "900")])
    sample.round.refresh_from_db()
    assert (InboxLine.objects.get(file_id=file.pk).verdict, sample.round.state) == ("over_age", "kit_due")


@pytest.mark.usefixtures("rule")
@pytest.mark.parametrize(("sent", "day"), [(30, 20), (10, 2)], ids=["over age", "expired"])
def test_the_desk_sends_it_to_the_bench_with_the_rule_in_words(sent: int, day: int) -> None:
    kit = desk.kit_out(sent) if sent == 30 else desk.kit_expired()
    collected = clock.today() - timedelta(days=day)
    answer = desk.scan(desk.a_session(), kit.serial, collected.isoformat())
    assert (answer.outcome, str(answer.sentence)) == ("accepted_with_remark", "Accepted. Put it in the rack.")
    assert "Only a result at or above the cutoff counts" in str(answer.remark)
    assert Return.objects.get(kit=kit).state == "ready"
    bench.samples_take_in(by=bench.lead())
    sample = Sample.objects.get(kit=kit)
    assert sample.usable_until < clock.today()
    bench.measured([(sample, "5")])
    results_release_below(by=bench.lead())
    sample.refresh_from_db()
    assert sample.state == "unsuitable"


@pytest.mark.usefixtures("rule")
def test_a_set_aside_whose_told_day_is_too_old_goes_to_the_bench_under_the_rule() -> None:
    kit = desk.kit_out(30)
    assert desk.scan(desk.a_session(), kit.serial, "", "no_name").outcome == "set_aside"
    back = Return.objects.get(kit=kit)
    day = (clock.today() - timedelta(days=20)).isoformat()
    told = consequence(back=back, answer=Answer.DAY_TOLD, day=day, today=clock.today())
    assert (told.allowed, told.fit, told.replace) == (True, True, False)
    assert "only a result at or above counts" in str(told.sentence)
    return_solve(by=cast.member(cast.PHONE_DESK), return_=back, answer=Answer.DAY_TOLD, day=day)
    assert Return.objects.get(kit=kit).state == "ready"


@pytest.mark.usefixtures("rule")
def test_an_expired_kit_is_told_from_an_old_sample_by_its_latest_day() -> None:
    # Source: ruling R2: expiry is judged on the latest possible day.
    fresh = old(3)
    assert fresh.usable_until == fresh.collected_earliest + timedelta(days=14)
    with acting(bench.lead()):
        Lot.objects.filter(pk=fresh.kit.lot_id).update(expires_on=fresh.return_of.collected_latest)
    bench.measured([(fresh, "5")])
    assert candidates([fresh.pk])[0].fact.valid
    with acting(bench.lead()):
        day = fresh.return_of.collected_latest - timedelta(days=1)
        Lot.objects.filter(pk=fresh.kit.lot_id).update(expires_on=day)
    assert candidates([fresh.pk])[0].fact.only_high_counts
