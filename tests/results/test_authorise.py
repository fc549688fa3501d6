"""Releasing results: the class, the bulk release below, one by one at or above, amendments and withdrawals."""

from datetime import date
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction

from results.models import CutoffRule, Referral, Result, Sample
from results.services import authorise
from results.services.authorise import (
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_not_needed,
)
from results.services.authorise_facts import candidates
from screening.models import Kit, Person, Round
from staff import clock
from staff.acting import acting
from staff.errors import NotAllowed, RoundbookError
from staff.ledger.moves import make_move
from tests import cast, factories
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")


def released(sample: Sample) -> Result:
    return Result.objects.get(sample=sample, is_current=True)


def refreshed(thing: Sample | Round) -> str:
    thing.refresh_from_db()
    return thing.state


def a_measured(value: object) -> Sample:
    sample = bench.a_sample()
    bench.measured([(sample, value)])
    return sample


def a_second_kit(round_: Round) -> Sample:
    """Another kit of the same round, back and on the bench."""
    kit, who = factories.a_kit(), bench.lead()
    with acting(who):
        make_move(kit, "assign", round_id=round_.pk, ordinal=2)
        Kit.objects.filter(pk=kit.pk).update(dispatched_on=clock.today())
        make_move(kit, "dispatch")
        make_move(kit, "return")
        back = factories.Return.objects.create(
            kit=kit, delivery=factories.a_delivery(), arrived_on=clock.today(), collected_earliest=clock.today(),
            collected_latest=clock.today(),
        )  # fmt: skip
        make_move(back, "log", due_on=clock.today(), pool="front_desk")
        make_move(back, "accept")
    bench.samples_take_in(by=who)
    return Sample.objects.get(kit=kit)


TABLE = [
    # (raw ng/mL, comparison, side): cutoff 20 µg/g, factor 0.2, one decimal, half up.
    # Source: job hazard H3 (19.94, 19.95, 19.99, 20.0, 20.00) and ruling R4.
    ("99.7", ">=", "below"), ("99.70", ">", "below"),
    ("99.75", ">=", "at_or_above"), ("99.75", ">", "below"),
    ("99.95", ">=", "at_or_above"), ("99.95", ">", "below"),
    ("100", ">=", "at_or_above"), ("100.00", ">=", "at_or_above"), ("100", ">", "below"),
    ("100.2", ">", "at_or_above"), ("100.25", ">", "at_or_above"), ("101", ">", "at_or_above"),
    ("<20", ">=", "below"), (">1000", ">=", "at_or_above"), (">1000", ">", "at_or_above"), ("0", ">=", "below"),
]  # fmt: skip


@pytest.mark.parametrize(("raw", "comparison", "side"), TABLE)
def test_h3_one_comparison_of_the_displayed_value(raw: str, comparison: str, side: str) -> None:
    CutoffRule.objects.update(comparison=comparison)
    sample = a_measured(raw)
    found = candidates([sample.pk])[0]
    assert found.side.value == side
    assert results_release_below(by=bench.lead()) == (1 if side == "below" else 0)


def test_a_result_keeps_everything_that_decided_it() -> None:
    sample = a_measured("63.37")
    assert results_release_below(by=bench.lead()) == 1
    result = released(sample)
    rule = CutoffRule.objects.get()
    assert (result.raw_value, result.raw_unit, result.comparator) == (Decimal("63.37000"), "ng/mL", "")
    assert (result.stool_mg, result.buffer_ml, result.kit_model.name) == (12, Decimal("2.4"), "Tarn 12")
    assert (result.reported_ug_g, result.decimals, result.shown) == (Decimal("12.70"), 1, "12.7 µg/g")
    assert (result.side, result.rule, result.cutoff_ug_g, result.comparison) == ("below", rule, 20, ">=")
    assert (result.sex_used, result.age_used, result.version) == ("female", 62, 1)
    assert (result.run_id, result.reading.running_number, result.authorised_by) == (
        result.reading.run_id,
        1,
        bench.lead(),
    )
    assert (result.analysed_on, result.authorised_on) == (clock.today(), clock.today())


def test_a_result_below_closes_the_round_and_sets_the_next_date() -> None:
    sample = a_measured("10")
    assert results_release_below(by=bench.lead()) == 1
    assert results_release_below(by=bench.lead()) == 0
    sample.round.refresh_from_db()
    assert (refreshed(sample), sample.round.state, sample.round.close_reason) == (
        "reported",
        "closed",
        "below",
    )
    assert Person.objects.get(pk=sample.person_id).next_due_on == date(2028, 6, 17)
    assert not Referral.objects.exists()


def test_a_result_at_or_above_opens_its_referral_in_the_same_transaction() -> None:
    sample = a_measured("900")
    assert results_release_below(by=bench.lead()) == 0
    result = result_release_at_or_above(by=bench.lead(), sample=sample)
    referral = Referral.objects.get()
    assert (result.side, result.is_deciding, referral.calls.get().result) == ("at_or_above", True, result)
    assert (referral.state, referral.due_on, referral.pool) == ("to_reach", date(2026, 6, 17), "coordinators")
    assert (refreshed(sample), refreshed(sample.round)) == ("reported", "follow_up")
    assert Person.objects.get(pk=sample.person_id).next_due_on is None


def test_h1_killed_between_result_and_referral_leaves_neither(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: job hazard H1: kill the process between the two writes.
    sample = a_measured("900")
    monkeypatch.setattr(authorise, "referral_open_for", lambda **_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        result_release_at_or_above(by=bench.lead(), sample=sample)
    assert not Result.objects.exists()
    assert refreshed(sample) == "ready_to_authorise"
    assert refreshed(sample.round) == "result_due"


def test_h1_the_database_refuses_a_result_at_or_above_without_a_referral(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sample = a_measured("900")
    monkeypatch.setattr(authorise, "referral_open_for", lambda **_: Referral(due_on=clock.today()))

    def release_and_commit() -> None:
        result_release_at_or_above(by=bench.lead(), sample=sample)
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")

    with pytest.raises(DatabaseError, match="no referral is linked"), transaction.atomic():
        release_and_commit()
    assert not Result.objects.exists()


def test_killed_in_the_bulk_release_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    sample = a_measured("5")
    monkeypatch.setattr(authorise, "rounds_reported_below", lambda **_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        results_release_below(by=bench.lead())
    assert refreshed(sample) == "ready_to_authorise"
    assert not Result.objects.exists()


def test_only_the_laboratory_releases() -> None:
    sample = a_measured("5")
    with pytest.raises(NotAllowed):
        results_release_below(by=cast.member(cast.COORDINATOR))
    with pytest.raises(NotAllowed):
        result_release_at_or_above(by=cast.member(cast.CLINICIAN), sample=sample)


def test_a_result_below_cannot_be_released_as_at_or_above_nor_the_other_way() -> None:
    low, high = bench.a_sample(), bench.a_sample()
    bench.measured([(low, "5"), (high, "900")])
    with pytest.raises(RoundbookError) as refused:
        result_release_at_or_above(by=bench.lead(), sample=low)
    assert refused.value.code == "side_is_below"
    with pytest.raises(RoundbookError) as refused:
        result_release_below(by=bench.lead(), sample=high, reason="looks clean")
    assert refused.value.code == "side_is_at_or_above"


def test_a_limit_that_straddles_the_cutoff_goes_to_a_person_with_a_reason() -> None:
    sample = a_measured("<150")
    assert results_release_below(by=bench.lead()) == 0
    with pytest.raises(RoundbookError) as refused:
        result_release_at_or_above(by=bench.lead(), sample=sample)
    assert refused.value.code == "reason_missing"
    result = result_release_at_or_above(
        by=bench.lead(), sample=sample, reason="the lower limit was set too high"
    )
    assert (result.side, result.reason) == ("at_or_above", "the lower limit was set too high")


def test_r5_a_second_kit_below_is_not_released_while_the_first_is_at_or_above() -> None:
    # Source: ruling R5: nothing hides a high reading.
    first = bench.a_sample()
    second = a_second_kit(first.round)
    bench.measured([(first, "900"), (second, "3")])
    assert results_release_below(by=bench.lead()) == 0
    with pytest.raises(RoundbookError) as refused:
        result_release_below(by=bench.lead(), sample=second, reason="second kit is clean")
    assert refused.value.code == "another_reading_high"
    result_release_at_or_above(by=bench.lead(), sample=first)
    assert results_release_below(by=bench.lead()) == 0
    sample_not_needed(by=bench.lead(), sample=second, reason="the first kit stands")
    assert refreshed(second) == "unsuitable"
    assert refreshed(first.round) == "follow_up"
