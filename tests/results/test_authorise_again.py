"""Releasing where a round has more than one kit, reading or result."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.db.backends.postgresql.psycopg_any import DateRange, NumericRange
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.models import CutoffRule, Referral, ReferralResult, Result, ResultsPolicy
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
from screening.models import KitModel, Lot, Person
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.ledger.moves import make_move
from tests import cast, factories
from tests import lab_bench as bench
from tests.results.test_authorise import a_measured, a_second_kit, refreshed, released

pytestmark = pytest.mark.usefixtures("region")


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
