"""Readings that are only yes or no: accepted only where the analyser's set limit is the person's own cutoff."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, transaction
from django.db.backends.postgresql.psycopg_any import DateRange, NumericRange
from django.test import Client
from django.urls import reverse

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from results.classify import Device, Side, classify_yes_no
from results.models import CutoffRule, InboxLine, Reading, Referral, Result, ResultsPolicy, Run, Sample
from results.services.authorise import (
    candidate_for,
    result_release_at_or_above,
    results_release_below,
    sample_retest,
)
from results.services.messages import message_receive
from results.services.runs import run_close, run_open
from results.services.typed import reading_type, reading_type_again
from results.services.watch import readings_seen
from staff import clock
from staff.errors import RoundbookError
from tests import cast, factories
from tests import lab_bench as bench
from tests.conftest import NOON

LIMIT = Decimal(100)
"""ng/mL: 20 µg/g with the demo kit model (12 mg in 2.4 mL), which is everybody's cutoff."""


@pytest.mark.parametrize(("says", "limit", "unit", "comparison", "side"), [
    # Source: job 2.8-9: only where the analyser's own set cutoff equals that person's programme cutoff.
    (True, "100", "ng/mL", ">=", Side.AT_OR_ABOVE), (False, "100", "ng/mL", ">=", Side.BELOW),
    (True, "20", "ug/g", ">=", Side.AT_OR_ABOVE), (False, "20.0", "ug/g", ">", Side.BELOW),
    (True, "100", "ng/mL", ">", Side.AT_OR_ABOVE), (True, "20", "ng/mL", ">=", Side.NEEDS_PERSON),
    (False, "99.9", "ng/mL", ">=", Side.NEEDS_PERSON), (True, "100.001", "ng/mL", ">=", Side.NEEDS_PERSON),
])  # fmt: skip
def test_a_yes_or_no_counts_only_at_the_cutoff(
    says: bool, limit: str, unit: str, comparison: str, side: Side
) -> None:
    device = Device(Decimal("2.4"), Decimal(12))
    told = classify_yes_no(says, Decimal(limit), unit, device, 1, Decimal(20), comparison)  # type: ignore[arg-type]
    assert told.side is side
    if side is not Side.NEEDS_PERSON:
        assert (told.shown, told.comparator) == (("≥20.0", ">") if says else ("<20.0", "<"))


def a_run(limit: Decimal | None = LIMIT) -> Run:
    run = run_open(
        by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(), device_limit=limit
    )  # fmt: skip
    assert run.status == "open"
    return run


def closed(run: Run) -> None:
    run_close(by=bench.technician(), run=run, readings=bench.controls())


@pytest.mark.usefixtures("region")
def test_a_yes_opens_the_referral_and_a_no_is_released_with_what_decided_them() -> None:
    yes, no = bench.a_sample(), bench.a_sample()
    run = a_run()
    file = bench.load(run, [(yes.serial, "positive"), (no.serial, "NEG")])
    assert file.taken == 2
    assert readings_seen(run) == [], "the watch over values has nothing to see in them"
    closed(run)
    assert results_release_below(by=bench.lead()) == 1
    low, high = Result.objects.get(), result_release_at_or_above(by=bench.lead(), sample=yes)
    assert (low.shown, low.side, low.qualitative) == ("< 20.0 µg/g", "below", True)
    assert (high.shown, high.side, high.qualitative) == ("≥ 20.0 µg/g", "at_or_above", True)
    assert (high.raw_value, high.raw_unit, high.cutoff_ug_g) == (100, "ng/mL", 20)
    assert (high.reading.raw, high.reading.analyser_says) == ("positive", True)
    assert Referral.objects.get().state == "to_reach"
    with clock.at(NOON + timedelta(days=7)):
        letters_plan(by=factories.by_default())
        letters_freeze(by=factories.by_default())
    assert Letter.objects.get(result=high, kind="result_more_tests").context["value"] == "≥ 20.0 µg/g"


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize(("limit", "verdict"), [
    (None, "qualitative_only"), (Decimal(20), "limit_differs"), (Decimal("99.9"), "limit_differs"), (Decimal(200), "limit_differs"),
])  # fmt: skip
@pytest.mark.parametrize("word", ["positive", "negative"])
def test_at_another_limit_or_none_it_is_refused_and_the_vial_stays(
    limit: Decimal | None, verdict: str, word: str
) -> None:
    sample, run = bench.a_sample(), a_run(limit)
    file = bench.load(run, [(sample.serial, word)])
    line = InboxLine.objects.get(file_id=file.pk)
    assert (file.taken, line.verdict) == (0, verdict)
    assert line.sentence
    assert Sample.objects.get(pk=sample.pk).state == "ready"
    assert not Reading.objects.exists()
    bench.load(run, [(sample.serial, "5")], first=2)
    closed(run)
    assert results_release_below(by=bench.lead()) == 0, "somebody looks at the refused line first"


@pytest.mark.usefixtures("region")
def test_the_limit_is_compared_with_each_persons_own_cutoff() -> None:
    first = CutoffRule.objects.get()
    CutoffRule.objects.update(sex_key=NumericRange(1, 2))
    CutoffRule.objects.create(
        protocol=first.protocol, sex_key=NumericRange(2, 3), ages=NumericRange(0, 130), cutoff_ug_g=40,
        valid=DateRange(first.valid.lower, None), proposed_by=first.proposed_by, approved_by=first.approved_by,
    )  # fmt: skip
    samples = {
        sex: bench.a_sample(factories.a_round(factories.a_person(sex=sex)))
        for sex in ("female", "male", "unknown")
    }
    run = a_run()
    file = bench.load(run, [(sample.serial, "positive") for sample in samples.values()])
    verdicts = dict(InboxLine.objects.filter(file_id=file.pk).values_list("serial", "verdict"))
    assert {sex: verdicts[sample.serial] for sex, sample in samples.items()} == {
        "female": "taken", "male": "limit_differs", "unknown": "taken",
    }  # fmt: skip


@pytest.mark.usefixtures("region")
def test_a_cutoff_that_changed_meanwhile_asks_for_a_number_and_nobody_may_reason_it_away() -> None:
    sample, run = bench.a_sample(), a_run()
    bench.load(run, [(sample.serial, "positive")])
    closed(run)
    CutoffRule.objects.update(cutoff_ug_g=30)
    found = candidate_for(sample)
    assert [(one.code, one.final) for one in found.obstacles] == [("number_needed", True)]
    with pytest.raises(RoundbookError) as refused:
        result_release_at_or_above(by=bench.lead(), sample=sample, reason="It said so.")
    assert refused.value.code == "number_needed"
    sample_retest(by=bench.lead(), sample=sample, reason="A number is needed.")
    bench.measured([(sample, "400")])
    assert result_release_at_or_above(by=bench.lead(), sample=sample).reported_ug_g == 80


@pytest.mark.usefixtures("region")
def test_a_no_is_never_certainly_outside_the_margin_under_the_cutoff() -> None:
    ResultsPolicy.objects.update(near_cutoff_percent=10)
    sample, run = bench.a_sample(), a_run()
    bench.load(run, [(sample.serial, "negative")])
    closed(run)
    assert results_release_below(by=bench.lead()) == 0
    assert [one.code for one in candidate_for(sample).obstacles] == ["near_cutoff"]


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("kind", ["hl7", "lis2"])
@pytest.mark.parametrize(("word", "says"), [("POS", True), ("NEGATIVE", False)])
def test_messages_may_say_only_yes_or_no_too(kind: str, word: str, says: bool) -> None:
    sample = bench.a_sample()
    a_run()
    content = (
        bench.oru(bench.obx(sample.serial, word, kind="ST"))
        if kind == "hl7"
        else bench.lis2((sample.serial, word))
    )
    row = message_receive(
        by=bench.technician(), channel="hl7_mllp" if kind == "hl7" else "lis2_lis1", content=content
    )
    assert row.verdict == "matched"
    reading = Reading.objects.get()
    assert (reading.qualitative, reading.analyser_says, reading.value) == (True, says, 100)


@pytest.mark.usefixtures("region")
def test_typed_twice_it_counts_and_diluted_it_does_not() -> None:
    sample, run = bench.a_sample(), a_run()
    with pytest.raises(RoundbookError):
        reading_type(by=bench.technician(), run=run, serial=sample.serial, value="positive", dilution=10)
    entry = reading_type(by=bench.technician(), run=run, serial=sample.serial, value="positive")
    assert reading_type_again(by=bench.lead(), entry=entry, value="positive").state == "agreed"
    assert Reading.objects.get().qualitative


@pytest.mark.usefixtures("region")
def test_the_database_lets_no_yes_or_no_stand_for_another_limit() -> None:
    sample, run = bench.a_sample(), a_run()
    bench.load(run, [(sample.serial, "negative")])
    closed(run)
    assert results_release_below(by=bench.lead()) == 1
    with pytest.raises(DatabaseError), transaction.atomic():
        Result.objects.update(reported_ug_g=19)
    with pytest.raises(RoundbookError):
        a_run(Decimal(-1))
    with pytest.raises(DatabaseError), transaction.atomic():
        Run.objects.update(device_limit=-1)


def test_the_opening_page_asks_for_the_limit_and_the_run_shows_it(signed_in: Callable[[str], Client]) -> None:
    client = signed_in(cast.LABORATORY)
    address = reverse("results:open-day") + "?analyser=Q1"
    assert "Limit set on the analyser" in client.get(address).content.decode()
    lots = [lot for lot, _ in bench.controls()]
    given = {
        "unit": "ng/mL",
        f"control_{lots[0].pk}": "91",
        f"control_{lots[1].pk}": "478",
        "device_limit": "100",
    }
    page = client.post(address, given, follow=True).content.decode()
    assert "Its own yes or no is set at 100 ng/mL" in page
    sample = bench.a_sample()
    run = Run.objects.get()
    bench.load(run, [(sample.serial, "positive")])
    closed(run)
    assert (
        "only yes, at the limit of 100 ng/mL"
        in client.get(reverse("results:release-one", args=[sample.pk])).content.decode()
    )
    assert "≥20.0" in client.get(reverse("results:release")).content.decode()
