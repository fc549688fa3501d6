"""Releasing results: the class, the bulk release below, one by one at or above, amendments and withdrawals."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction
from django.db.backends.postgresql.psycopg_any import DateRange, NumericRange
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.models import CutoffRule, Referral, ReferralResult, Result, ResultsPolicy, Sample
from results.services import authorise
from results.services.authorise import (
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_not_needed,
    sample_retest,
)
from results.services.authorise_amend import result_amend, result_withdraw
from results.services.authorise_facts import candidates
from results.services.runs import run_resolve
from screening.models import Kit, KitModel, Lot, Person, Round
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
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
        Kit.objects.filter(pk=kit.pk).update(round=round_, ordinal=2)
        make_move(kit, "assign")
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
    assert (referral.state, referral.due_on, referral.pool) == ("to_reach", date(2026, 6, 18), "coordinators")
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


def test_two_kits_at_or_above_share_one_referral() -> None:
    first = bench.a_sample()
    second = a_second_kit(first.round)
    bench.measured([(first, "900"), (second, "700")])
    results = [result_release_at_or_above(by=bench.lead(), sample=s) for s in (first, second)]
    assert [r.is_deciding for r in results] == [True, False]
    assert Referral.objects.get().calls.count() == 2
    assert refreshed(first.round) == "follow_up"


def test_a_kit_that_the_desk_rejected_after_it_was_measured_gives_no_result_below() -> None:
    sample = a_measured("5")
    with acting(cast.member(cast.FRONT_DESK)):
        make_move(sample.return_of, "reject", reason="label_names_another")
    assert results_release_below(by=bench.lead()) == 0
    with pytest.raises(RoundbookError) as refused:
        result_release_below(by=bench.lead(), sample=sample, reason="it is clean")
    assert refused.value.code == "desk_rejected"
    sample_not_needed(by=bench.lead(), sample=sample, reason="rejected at the desk")
    assert (refreshed(sample), refreshed(sample.round)) == ("unsuitable", "kit_due")


def test_r7_a_second_kit_at_or_above_raises_a_round_closed_below_and_decides_it() -> None:
    first = a_measured("3")
    results_release_below(by=bench.lead())
    second = a_second_kit(first.round)
    bench.measured([(second, "900")])
    result = result_release_at_or_above(by=bench.lead(), sample=second)
    assert (result.is_deciding, released(first).is_deciding) == (True, False)
    assert refreshed(first.round) == "follow_up"
    assert Person.objects.get(pk=first.person_id).next_due_on is None


def test_two_kits_below_the_first_decides() -> None:
    first = bench.a_sample()
    second = a_second_kit(first.round)
    bench.measured([(first, "3"), (second, "4")])
    assert results_release_below(by=bench.lead()) == 2
    assert [released(s).is_deciding for s in (first, second)] == [True, False]


def test_a_late_kit_at_or_above_supersedes_the_newer_round() -> None:
    late = a_measured("900")
    with acting(bench.lead()):
        make_move(late.round, "close", reason="not_returned")
    newer = factories.a_round(late.person)
    result_release_at_or_above(by=bench.lead(), sample=late)
    newer.refresh_from_db()
    assert (newer.state, newer.close_reason, refreshed(late.round)) == ("closed", "superseded", "follow_up")


def test_a_reading_of_a_held_run_at_or_above_is_seen_by_a_person() -> None:
    sample = bench.a_sample()
    run = bench.measured([(sample, "900")], end=bench.OUT)
    run_resolve(by=bench.technician(), run=run, resolution="control bubbly", second=bench.lead())
    bench.measured([(sample, "3")])
    assert results_release_below(by=bench.lead()) == 0
    found = candidates([sample.pk])[0]
    assert [one.code for one in found.obstacles] == ["earlier_reading_high"]
    assert (
        result_release_below(by=bench.lead(), sample=sample, reason="control was out by 20 SD").side
        == "below"
    )


def test_a_retest_does_not_unmake_a_reading_at_or_above() -> None:
    # Source: job 2.9: the first valid result stands, no repeat testing of a reading at or above.
    sample = a_measured("900")
    sample_retest(by=bench.lead(), sample=sample, reason="to be sure")
    bench.measured([(sample, "3")])
    assert candidates([sample.pk])[0].side.value == "at_or_above"
    assert results_release_below(by=bench.lead()) == 0


def test_i30_an_earlier_result_that_was_never_followed_up_is_seen_by_a_clinician() -> None:
    earlier = a_measured("900")
    result_release_at_or_above(by=bench.lead(), sample=earlier)
    with acting(bench.lead()):
        make_move(earlier.round, "conclude", reason="follow_up_concluded")
    now = bench.a_sample(factories.a_round(earlier.person))
    bench.measured([(now, "3")])
    assert results_release_below(by=bench.lead()) == 0
    with pytest.raises(RoundbookError) as refused:
        result_release_below(by=bench.lead(), sample=now, reason="clean")
    assert refused.value.code == "clinician_missing"
    with pytest.raises(NotAllowed):
        result_release_below(by=bench.lead(), sample=now, reason="clean", clinician=bench.technician())
    result = result_release_below(
        by=bench.lead(), sample=now, reason="spoken", clinician=cast.member(cast.CLINICIAN)
    )
    assert "Dauntel" in result.reason


def test_an_unsettled_line_that_names_the_sample_keeps_it_back() -> None:
    sample, run = bench.a_sample(), bench.an_open_run()
    bench.load(run, [(sample.serial, "5"), (sample.serial, "900")])
    bench.run_close(by=bench.technician(), run=run, readings=bench.controls())
    assert results_release_below(by=bench.lead()) == 0
    assert [one.code for one in candidates([sample.pk])[0].obstacles] == ["line_unsettled"]


def test_the_kit_model_of_the_lot_and_the_decimals_of_the_protocol_are_used() -> None:
    Lot.objects.update(kit_model=KitModel.objects.get(name="Tarn 2"))
    ResultsPolicy.objects.update(decimals=2)
    sample = a_measured("19.994")
    results_release_below(by=bench.lead())
    assert (released(sample).reported_ug_g, released(sample).shown) == (Decimal("19.99"), "19.99 µg/g")


def test_r10_the_lowest_cutoff_that_could_apply_for_an_unknown_sex() -> None:
    # Source: ruling R10.
    first = CutoffRule.objects.get()
    CutoffRule.objects.update(sex_key=NumericRange(1, 2), cutoff_ug_g=40)
    CutoffRule.objects.create(
        protocol=first.protocol, sex_key=NumericRange(2, 3), ages=NumericRange(0, 130), cutoff_ug_g=25,
        valid=DateRange(first.valid.lower, None), proposed_by=first.proposed_by, approved_by=first.approved_by,
    )  # fmt: skip
    sides = {}
    for sex in ("female", "male", "unknown", "other"):
        sample = bench.a_sample(factories.a_round(factories.a_person(sex=sex)))
        bench.measured([(sample, "150")])
        sides[sex] = candidates([sample.pk])[0].side.value
    assert sides == {
        "female": "below",
        "male": "at_or_above",
        "unknown": "at_or_above",
        "other": "at_or_above",
    }


def test_the_cutoff_of_the_day_of_analysis_decides() -> None:
    first = CutoffRule.objects.get()
    CutoffRule.objects.update(valid=DateRange(first.valid.lower, clock.today() + timedelta(days=1)))
    CutoffRule.objects.create(
        protocol=first.protocol, sex_key=first.sex_key, ages=first.ages, cutoff_ug_g=10,
        valid=DateRange(clock.today() + timedelta(days=1), None), proposed_by=first.proposed_by,
        approved_by=first.approved_by,
    )  # fmt: skip
    sample = a_measured("75")
    with clock.at(clock.now() + timedelta(days=2)):
        assert results_release_below(by=bench.lead()) == 1
    assert released(sample).cutoff_ug_g == 20


def test_an_amendment_upward_makes_version_2_and_raises_the_round() -> None:
    # Source: rulings R7 and R8.
    sample = a_measured("63")
    results_release_below(by=bench.lead())
    KitModel.objects.filter(name="Tarn 12").update(stool_mg=6)
    old = released(sample)
    with pytest.raises(RoundbookError):
        result_amend(by=bench.lead(), result=old, reason="wrong mass", second=bench.lead())
    new = result_amend(
        by=bench.lead(), result=old, reason="wrong stool mass of the kit model", second=bench.technician()
    )
    assert (new.version, new.side, new.reported_ug_g, new.is_deciding) == (
        2,
        "at_or_above",
        Decimal("25.2"),
        True,
    )
    assert ReferralResult.objects.get().result == new
    assert refreshed(sample.round) == "follow_up"
    assert Person.objects.get(pk=sample.person_id).next_due_on is None
    with pytest.raises(IllegalMove):
        result_amend(by=bench.lead(), result=old, reason="again", second=bench.technician())


def test_an_amendment_never_lowers_a_result() -> None:
    sample = a_measured("900")
    result = result_release_at_or_above(by=bench.lead(), sample=sample)
    KitModel.objects.filter(name="Tarn 12").update(stool_mg=900)
    with pytest.raises(RoundbookError) as refused:
        result_amend(by=bench.lead(), result=result, reason="wrong mass", second=bench.technician())
    assert refused.value.code == "amend_downward"


@pytest.mark.parametrize("value", ["5", "900"])
def test_a_withdrawn_result_is_measured_again_and_its_reading_never_counts_again(value: str) -> None:
    sample = a_measured(value)
    results_release_below(by=bench.lead())
    if refreshed(sample) != "reported":
        result_release_at_or_above(by=bench.lead(), sample=sample)
    result_withdraw(
        by=bench.lead(), result=released(sample), reason="vial of a neighbour", second=bench.technician()
    )
    assert (refreshed(sample), refreshed(sample.round)) == ("repeat", "result_due")
    assert not Result.objects.filter(is_current=True).exists()
    bench.measured([(sample, "7")])
    found = candidates([sample.pk])[0]
    assert found.side.value == "below"
    assert found.clear_below == (value == "5")
    if value == "5":
        results_release_below(by=bench.lead())
        assert released(sample).version == 2


VALUES = st.decimals(min_value=0, max_value=2000, places=2).map(str) | st.sampled_from(
    ["<4", ">1000", "<150", "99.75", "100"]
)


@hypothesis_settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(values=st.lists(VALUES, min_size=1, max_size=4))
def test_h1_any_readings_every_result_at_or_above_has_exactly_one_live_referral(values: list[str]) -> None:
    # Source: job hazard H1 and invariant I1: property test over random results.
    samples = [bench.a_sample() for _ in values]
    bench.measured(list(zip(samples, values, strict=True)))
    results_release_below(by=bench.lead())
    for sample in samples:
        if refreshed(sample) != "reported":
            result_release_at_or_above(by=bench.lead(), sample=sample, reason="a person looked")
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
    for result in Result.objects.filter(sample__in=samples):
        live = Referral.objects.filter(person=result.person).exclude(state="closed").count()
        high = result.side == "at_or_above"
        assert live == (1 if high else 0)
        assert ReferralResult.objects.filter(result=result).count() == (1 if high else 0)
