"""Planning: each event asks for its letters once, reminders come by date, late facts withdraw letters."""

from datetime import timedelta
from decimal import Decimal
from io import BytesIO
from typing import Any

import pytest
from django.db import connection
from pypdf import PdfReader

from outreach.letters.render import Sheet, letters_render
from outreach.models import Letter, LetterTodo
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan, letters_repair
from results.models import Result
from screening.models import IntakeSession
from screening.services.batches import kit_reported_lost, kit_undelivered, replacements_send
from screening.services.rounds import rounds_close
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from tests import cast
from tests.factories import a_delivery, a_kit, a_ready_return, a_round, by_default
from tests.outreach.makers import a_result, frozen, planned

pytestmark = pytest.mark.usefixtures("region")


def test_a_new_round_asks_for_one_invitation_with_its_kit() -> None:
    round_ = a_round(state="kit_due", sent_days_ago=0)
    done = letters_plan(by=by_default())
    assert done["todo"] == 1
    assert done["invitation"] == 1
    letter = Letter.objects.get()
    assert (letter.state, letter.pool, letter.key) == ("owed", "office", f"invitation:{round_.pk}")
    assert letter.kit == round_.kits.get()
    assert not LetterTodo.objects.exists()


def test_one_batch_alone_can_be_planned_and_frozen() -> None:
    mine, other = a_round(state="kit_due", sent_days_ago=0), a_round(state="kit_due", sent_days_ago=0)
    a_round(sent_days_ago=40)
    assert letters_plan(by=by_default(), batch_id=mine.batch_id) == {"todo": 1, "invitation": 1}
    assert list(Letter.objects.values_list("round_id", flat=True)) == [mine.pk]
    assert LetterTodo.objects.filter(subject_id=other.pk).exists()
    assert letters_freeze(by=by_default(), kind="reminder") == 0
    assert letters_freeze(by=by_default(), kind="invitation") == 1


def test_planning_again_adds_nothing() -> None:
    a_result("3.0")
    first = letters_plan(by=by_default())
    assert first["result_below"] == 1
    assert letters_plan(by=by_default()) == {}
    assert letters_repair(by=by_default(), since=clock.today() - timedelta(days=30))["rounds"] == 1
    assert Letter.objects.count() == 3


def test_a_result_below_asks_for_a_letter_and_the_doctors_copy() -> None:
    result = a_result("3.0")
    letters = {x.kind: x for x in planned(result=result)}
    assert set(letters) == {"result_below", "doctor_copy"}
    assert letters["doctor_copy"].practice == result.person.practice
    assert letters["doctor_copy"].recipient == "doctor"


def test_a_result_at_or_above_waits_for_a_day_on_which_it_lands_well() -> None:
    result = a_result("64.2")
    (letter,) = planned("result_more_tests")
    assert letter.referral == result.referral_link.referral
    assert str(letter.not_before) == "2026-06-19", "Wednesday and Thursday would land on Friday and Saturday"
    assert letter.due_on == letter.not_before


def test_an_unsuitable_sample_asks_for_a_replacement_letter_with_the_reason() -> None:
    round_ = a_round()
    back = a_ready_return(round_)
    with acting(by_default()):
        make_move(back, "reject", reason="leaking")
        make_move(round_, "unsuitable", due_on=clock.today(), pool="office", reason="leaking")
    (letter,) = planned("replacement")
    assert letter.moves.get(event="owe").reason == "leaking"


# Source: common practice, no source: whoever is sent another kit is told why, whatever became of the first.
@pytest.mark.parametrize(
    ("gone", "words"),
    [
        (kit_reported_lost, "you told us that the kit never came or is gone"),
        (kit_undelivered, "the post could not deliver the kit to you"),
    ],
)
def test_a_kit_that_never_came_is_replaced_with_a_letter_that_says_so(gone: Any, words: str) -> None:
    round_, by = a_round(), cast.member(cast.PHONE_DESK)
    a_kit()
    gone(by=by, kit=round_.kits.get())
    assert replacements_send(by=by, round_ids=[round_.pk]) == 1
    (letter,) = frozen("replacement")
    assert letter.kit == round_.kits.get(ordinal=2)
    assert letter.context["what_went_wrong"] == words
    assert letter.context["came_back"] is False
    sheet = Sheet("1-1-X", letter.text_version, letter.context, letter.checksum)
    page = " ".join(
        PdfReader(BytesIO(letters_render([sheet], title="One").content)).pages[0].extract_text().split()
    )
    assert (
        f"We are sending you a new kit. The reason is below. Please use only the new kit in this envelope. The reason {words}"
        in page
    )
    assert "could not test" not in page


def test_only_the_last_reason_for_another_kit_has_a_letter() -> None:
    round_, by = a_round(), cast.member(cast.PHONE_DESK)
    kit_reported_lost(by=by, kit=round_.kits.get())
    (lost,) = planned("replacement")
    with acting(by):
        make_move(round_, "kit_back", due_on=clock.today(), pool="phone_desk")
        make_move(round_, "unsuitable", due_on=clock.today(), pool="office", reason="leaking")
    assert [x.moves.get(event="owe").reason for x in planned("replacement", state="owed")] == ["leaking"]
    lost.refresh_from_db()
    assert (lost.state, lost.close_reason) == ("cancelled", "reason_overtaken")


def test_a_round_that_closes_while_it_waits_for_a_kit_takes_its_letter_back() -> None:
    round_, by = a_round(), cast.member(cast.PHONE_DESK)
    kit_undelivered(by=by, kit=round_.kits.get())
    (letter,) = planned("replacement")
    rounds_close(by=by, round_ids=[round_.pk], reason="undeliverable")
    letters_plan(by=by)
    letter.refresh_from_db()
    assert (letter.state, letter.close_reason) == ("cancelled", "round_over")


def test_a_reminder_comes_on_its_day_once() -> None:
    round_ = a_round(sent_days_ago=27)
    assert not planned("reminder")
    with clock.at(clock.now() + timedelta(days=1)):
        (letter,) = planned("reminder", round=round_)
        assert letter.state == "owed"
        assert len(planned("reminder")) == 1


def test_no_reminder_once_the_kit_is_back() -> None:
    round_ = a_round(sent_days_ago=40)
    a_ready_return(round_)
    assert not planned("reminder")


def test_unopened_post_of_an_earlier_day_delays_reminders() -> None:
    a_round(sent_days_ago=40)
    sack = a_delivery(arrived=clock.today() - timedelta(days=1))
    session = IntakeSession.objects.create(delivery=sack, operator=by_default(), started_at=clock.now())
    assert letters_plan(by=by_default())["reminders_waiting"] == 1
    assert not Letter.objects.filter(kind="reminder").exists()
    session.closed_at = clock.now()
    session.save(update_fields=["closed_at"])
    assert len(planned("reminder")) == 1


def test_todays_post_delays_nothing() -> None:
    a_round(sent_days_ago=40)
    a_delivery()
    assert len(planned("reminder")) == 1


def test_a_withdrawn_result_takes_its_unsent_letters_back() -> None:
    result = a_result("64.2")
    assert {x.state for x in planned(result=result)} == {"owed"}
    with acting(by_default()):
        type(result).objects.filter(pk=result.pk).update(is_current=False, is_deciding=False)
        make_move(result.round, "withdraw", due_on=clock.today(), pool="laboratory")
    assert letters_plan(by=by_default())["supersede"] == 2
    assert {x.state for x in planned(result=result)} == {"superseded"}


def test_a_result_replaced_on_the_same_side_gets_its_own_letter() -> None:
    old = a_result("3.0")
    planned()
    with acting(by_default()):
        Result.objects.filter(pk=old.pk).update(is_current=False, is_deciding=False)
        new = Result.objects.get(pk=old.pk)
        new.pk, new.version, new.is_current, new.is_deciding = None, 2, True, True
        new.reported_ug_g, new.raw_value = Decimal("4.5"), Decimal("22.5")
        new.save(force_insert=True)
    letters_freeze(by=by_default())
    letters_plan(by=by_default())
    states = dict(Letter.objects.filter(kind="result_below").values_list("result__version", "state"))
    assert states == {1: "superseded", 2: "owed"}
    letters_plan(by=by_default())
    assert not LetterTodo.objects.exists()


def test_repair_adds_only_what_is_missing() -> None:
    a_result("3.0")
    LetterTodo.objects.all().delete()
    assert not planned()
    done = letters_repair(by=by_default(), since=clock.today() - timedelta(days=1))
    assert done["result_below"] == 1
    assert (
        letters_repair(by=by_default(), since=clock.today() - timedelta(days=1)).get("result_below", 0) == 0
    )


def test_a_sweep_with_nothing_owed_reads_no_ledger() -> None:
    with connection.execute_wrapper(_refuse_ledgers):
        assert letters_plan(by=by_default()) == {}


def _refuse_ledgers(execute, sql, params, many, context):  # type: ignore[no-untyped-def]
    assert "screening_roundmove" not in sql
    return execute(sql, params, many, context)
