"""Look-back: from what is in doubt to everybody affected, letters that wait, retest and new kits, until all is settled."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from oversight.models import NetCount
from oversight.rehearsal.setting import DEMO_PASSWORD
from oversight.services.proofs import prove
from results.models import LabLot, LookBack, LookBackRow, Referral, Result, Run, RunLot, Sample, VialDestroyed
from results.services.authorise import result_release_at_or_above, results_release_below
from results.services.look_back import (
    doubts_without_look_back,
    look_back_act,
    look_back_close,
    look_back_open,
    look_back_progress,
    look_back_refresh,
    vials_destroy,
)
from results.tasks import sweep
from screening.models import Round
from screening.services.doubts import doubt_range
from staff import clock
from staff.errors import RoundbookError
from staff.models import User
from tests import cast, factories
from tests import lab_bench as bench
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]


def released(*values: str) -> tuple[Run, list[Sample]]:
    """A run whose samples read so, all released."""
    samples = [bench.a_sample() for _ in values]
    run = bench.measured(list(zip(samples, values, strict=True)))
    results_release_below(by=bench.lead())
    for sample in Sample.objects.filter(state="ready_to_authorise"):
        result_release_at_or_above(by=bench.lead(), sample=sample)
    return run, samples


def opened(kind: str, ref: int, **more: object) -> LookBack:
    return look_back_open(by=bench.technician(), kind=kind, ref=ref, reason="Control expired.", **more)  # type: ignore[arg-type]


def act(look_back: LookBack, action: str, rows: list[int] | None = None) -> int:
    ids = (
        list(LookBackRow.objects.filter(look_back=look_back).values_list("pk", flat=True))
        if rows is None
        else rows
    )
    return look_back_act(
        by=bench.technician(), look_back=look_back, row_ids=ids, action=action, words="To be sure.", second=bench.lead()
    )  # fmt: skip


def touched(look_back: LookBack) -> set[int]:
    return set(LookBackRow.objects.filter(look_back=look_back).values_list("sample_id", flat=True))


def test_h45_every_kind_of_doubt_lists_exactly_what_it_touches() -> None:
    # Source: job hazard H45: a recall list that is incomplete costs cancers.
    first, ours = released("5", "6", "400")
    with clock.at(NOON + timedelta(hours=2)):
        second, others = released("7", "8")
    lot = LabLot.objects.create(
        kind="reagent", name="R", lot="R1", received_on=clock.today(), expires_on=clock.today(),
        entered_by=bench.technician(), confirmed_by=bench.lead(),
    )  # fmt: skip
    RunLot.objects.create(run=first, lot=lot, scanned_at=clock.now(), scanned_by=bench.technician())
    mine, theirs = {s.pk for s in ours}, {s.pk for s in others}
    control = first.control_readings.first()
    assert control is not None
    assert touched(opened("run", first.pk)) == mine
    assert touched(opened("lab_lot", lot.pk)) == mine
    assert touched(opened("control_lot", control.control_id)) == mine | theirs
    assert touched(opened("delivery", others[0].return_of.delivery_id)) == {others[0].pk}
    assert touched(opened("kit_lot", ours[0].kit.lot_id)) == mine | theirs
    hours = (NOON + timedelta(hours=1), NOON + timedelta(hours=3))
    assert touched(opened("hours", second.analyser_id, hours=hours)) == theirs
    assert touched(opened("hours", second.analyser_id, hours=(NOON - timedelta(hours=9), NOON))) == set()


def test_letters_below_wait_while_their_result_is_looked_back_at() -> None:
    run, samples = released("5", "400")
    letters_plan(by=factories.by_default())
    look_back = opened("run", run.pk)
    with clock.at(NOON + timedelta(days=14)):
        letters_freeze(by=factories.by_default())
    states = dict(
        Letter.objects.filter(recipient="person", result__isnull=False).values_list("result__side", "state")
    )
    assert states["below"] == "held"
    assert states["at_or_above"] != "held"
    assert look_back_progress(look_back).high == 1
    assert len(samples) == 2


def test_a_retest_withdraws_the_result_measures_again_and_settles() -> None:
    run, (low, high) = released("5", "400")
    look_back = opened("run", run.pk)
    assert act(look_back, "retest") == 1
    assert Sample.objects.get(pk=low.pk).state == "repeat"
    assert Round.objects.get(pk=low.round_id).state == "result_due"
    assert Result.objects.get(sample=high).is_current, "what is at or above stands"
    assert look_back_progress(look_back).percent == 0
    with clock.at(NOON + timedelta(hours=3)):
        bench.measured([(low, "6")])
        results_release_below(by=bench.lead())
        assert look_back_refresh(by=bench.technician(), look_back=look_back) == 1
        with pytest.raises(RoundbookError) as refused:
            look_back_close(by=bench.technician(), look_back=look_back, words="All measured again.")
        assert refused.value.code == "look_back_unsettled"
        rows = list(LookBackRow.objects.filter(sample=high).values_list("pk", flat=True))
        assert act(look_back, "nothing", rows) == 1
        assert look_back_progress(look_back).percent == 100
        closed = look_back_close(by=bench.technician(), look_back=look_back, words="All measured again.")
    assert closed.closed_at is not None
    assert list(Result.objects.filter(sample=low).order_by("version").values_list("version", "is_current")) == [
        (1, False), (2, True),
    ]  # fmt: skip


def test_a_new_kit_is_sent_where_the_vial_is_no_use() -> None:
    run, (low,) = released("5")
    look_back = opened("kit_lot", low.kit.lot_id)
    assert act(look_back, "reinvite") == 1
    assert Sample.objects.get(pk=low.pk).state == "unsuitable"
    assert Round.objects.get(pk=low.round_id).state == "kit_due"
    assert look_back_progress(look_back).decided == 1
    assert run.pk


def test_samples_not_yet_released_go_back_to_the_bench() -> None:
    waiting = bench.a_sample()
    run = bench.measured([(waiting, "5")])
    look_back = opened("run", run.pk)
    assert act(look_back, "retest") == 1
    assert Sample.objects.get(pk=waiting.pk).state == "repeat"
    assert results_release_below(by=bench.lead()) == 0


def test_a_second_person_and_words_are_needed_and_a_row_is_decided_once() -> None:
    run, _samples = released("5")
    look_back = opened("run", run.pk)
    ids = list(look_back.rows.values_list("pk", flat=True))
    common = {"by": bench.technician(), "look_back": look_back, "row_ids": ids, "action": "retest"}
    for facts, code in (
        ({"words": "Why.", "second": bench.technician()}, "second_person"),
        ({"words": " ", "second": bench.lead()}, "words_missing"),
    ):
        with pytest.raises(RoundbookError) as refused:
            look_back_act(**(common | facts))  # type: ignore[arg-type]
        assert refused.value.code == code
    assert act(look_back, "retest") == 1
    assert act(look_back, "reinvite") == 0
    with pytest.raises(DatabaseError), transaction.atomic():
        LookBackRow.objects.filter(look_back=look_back).update(action="", settled_at=clock.now())


def test_another_result_of_the_round_decides_when_one_is_taken_back() -> None:
    run, (low,) = released("5")
    Result.objects.filter(sample=low).update(is_deciding=True)
    look_back = opened("run", run.pk)
    act(look_back, "retest")
    assert not Result.objects.filter(sample=low, is_current=True).exists()
    assert not Referral.objects.exists()


@pytest.mark.parametrize(("kind", "hours", "code"), [
    ("hours", None, "look_back_kind"), ("hours", (NOON, NOON), "hours_order"), ("run", (NOON, NOON), "look_back_kind"),
    ("moon", None, "look_back_kind"),
])  # fmt: skip
def test_a_look_back_that_names_nothing_is_refused(kind: str, hours: object, code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        opened(kind, 1, hours=hours)
    assert refused.value.code == code


def test_the_sweep_widens_open_look_backs() -> None:
    sample = bench.a_sample()
    look_back = opened("kit_lot", sample.kit.lot_id)
    factories.a_ready_return()
    sweep()
    sweep()
    assert look_back_progress(look_back).rows == 2


def test_h44_a_vial_is_kept_while_it_may_be_needed() -> None:
    # Source: job hazard H44: vials destroyed before a look-back.
    run, (low, high) = released("5", "400")
    both = [low.serial, high.serial]
    with pytest.raises(RoundbookError) as refused:
        vials_destroy(by=bench.technician(), serials=both)
    assert refused.value.code == "vial_kept"
    with clock.at(NOON + timedelta(days=29)):
        look_back = opened("run", run.pk)
        with pytest.raises(RoundbookError) as refused:
            vials_destroy(by=bench.technician(), serials=both)
        assert "look-back" in str(refused.value.sentence)
        act(look_back, "nothing")
        assert vials_destroy(by=bench.technician(), serials=both) == 2
        assert vials_destroy(by=bench.technician(), serials=both) == 0
    assert VialDestroyed.objects.count() == 2


def test_a_recall_through_the_pages(signed_in: SignIn) -> None:
    run, (low, high) = released("5", "400")
    client = signed_in(cast.LABORATORY)
    assert client.get(reverse("results:look-back-new")).status_code == 200
    where = reverse("results:look-back-new") + "?kind=run"
    assert client.post(where, {"ref": run.pk, "reason": ""}).status_code == 422
    answer = client.post(where, {"ref": run.pk, "reason": "Wrong target typed."})
    look_back = LookBack.objects.get()
    page = client.get(answer.url).content.decode()
    assert "0 of 2 samples settled" in page
    assert low.serial in page
    assert low.person.family_name not in page
    letters_plan(by=factories.by_default())
    assert "Result" in client.get(reverse("outreach:look-back-panel", args=[look_back.pk])).content.decode()
    act_url = reverse("results:look-back-decide", args=[look_back.pk])
    facts = {"action": "retest", "reason": "To be sure.", "second": bench.lead().pk, "all": "1"}
    assert client.post(act_url, facts).status_code == 422
    facts["second_password"] = DEMO_PASSWORD
    page = client.post(act_url, facts, follow=True).content.decode()
    assert "1 samples were decided" in page
    assert "at or above were left" in page
    assert client.post(act_url, {"action": "retest"}).status_code == 422
    client.post(reverse("results:look-back-close", args=[look_back.pk]), {"words": "Done."})
    assert LookBack.objects.get().closed_at is None
    assert str(look_back.pk) in client.get(reverse("results:look-backs")).content.decode()
    assert Sample.objects.get(pk=high.pk).state == "reported"
    for kind in LookBack.Kind.values:
        assert client.get(reverse("results:look-back-new") + f"?kind={kind}").status_code == 200


def test_kits_of_a_lot_that_are_still_out_are_listed_until_they_are_back(signed_in: SignIn) -> None:
    _run, samples = released("5")
    out = factories.a_round().kits.get()
    look_back = opened("kit_lot", samples[0].kit.lot_id)
    client = signed_in(cast.LABORATORY)
    page = client.get(reverse("results:look-back", args=[look_back.pk])).content.decode()
    assert out.serial in page
    assert "Kits that come back are still measured" in page
    out.lot.quarantined = True
    out.lot.save()
    page = client.get(reverse("results:look-back", args=[look_back.pk])).content.decode()
    assert "stopped at the post desk" in page


def not_retested() -> list[tuple[int, str]]:
    """Whom “Nobody falls through” lists as in doubt."""
    prove(by=User.objects.system())
    return [
        (row["id"], row["note"]) for row in NetCount.objects.filter(name="not_retested").latest("pk").rows
    ]


# Source: hazard H5 (a kit beside another person's letter): measuring again does not tell whose vial it was.
def test_h5_kits_in_doubt_that_have_a_result_are_looked_back_at(signed_in: SignIn) -> None:
    _run, (mine, other) = released("5", "6")
    doubt = doubt_range(
        by=cast.member(cast.PHONE_DESK),
        first=mine.serial,
        last=mine.serial,
        why="Wrong letter found.",
        posted=True,
    )
    assert doubts_without_look_back() == [doubt]
    client = signed_in(cast.LABORATORY)
    assert f"?kind=kit_doubt&amp;ref={doubt.pk}" in client.get(reverse("results:look-backs")).content.decode()
    assert "1 range of kits in doubt has results" in client.get("/").content.decode()
    assert not_retested() == [(mine.pk, "kit_doubt")]
    look_back = opened("kit_doubt", doubt.pk)
    assert not_retested() == [(mine.pk, "undecided")]
    assert touched(look_back) == {mine.pk}
    assert list(doubts_without_look_back()) == []
    with pytest.raises(RoundbookError, match="whose vial"):
        act(look_back, "retest")
    assert act(look_back, "reinvite") == 1
    assert Round.objects.get(pk=mine.round_id).state == "kit_due"
    assert Result.objects.get(sample=other).is_current
