"""Hazards of the laboratory by their numbers, on the real path: those that no other file tests (job section 8)."""

import os
import re
import signal
from collections.abc import Callable
from datetime import date, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.db import DatabaseError, connection, connections, transaction

from outreach.models import Letter, PrintedLetter, PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make, print_run_pull, pulls_of
from oversight.rehearsal.setting import region_lay_down
from results.models import Assessment, Booking, ControlLot, CutoffRule, Reading, Referral, Result, Sample
from results.services import referrals as services
from results.services.authorise import (
    result_release_at_or_above,
    result_release_below,
    results_release_below,
)
from results.services.authorise_amend import result_amend
from results.services.authorise_facts import candidates
from results.services.runs import run_close, run_open
from results.services.samples import samples_take_in
from screening.models import Kit, Person, Return, Round
from screening.services.batches import batch_dispatch, batch_open, kits_stock
from screening.services.intake_solve import return_solve
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from tests import cast, factories
from tests import lab_bench as bench
from tests.conftest import FIRST_DAY, NOON
from tests.results import follow_up as f
from tests.screening.intake import bench as post

TESTS = Path(__file__).resolve().parents[1]
OURS = (*range(1, 15), 30, *range(42, 46))


@pytest.mark.parametrize("number", OURS)
def test_every_hazard_of_the_laboratory_has_a_test_by_its_number(number: int) -> None:
    named = re.compile(rf"^def test_(?:h\d+_)*h{number}_", re.MULTILINE)
    assert any(named.search(path.read_text()) for path in TESTS.rglob("test_*.py"))


def _killed_at(statement: int, work: Callable[[], object]) -> bool:
    """Do the work in a process of its own that kills itself (SIGKILL) before its nth statement; whether it was killed."""
    connections.close_all()
    child = os.fork()
    if child == 0:
        seen = 0

        def counted(execute: Any, sql: Any, params: Any, many: Any, context: Any) -> Any:
            nonlocal seen
            seen += 1
            if seen == statement:
                os.kill(os.getpid(), signal.SIGKILL)
            return execute(sql, params, many, context)

        try:
            with clock.at(NOON), connection.execute_wrapper(counted):
                work()
            os._exit(0)
        except BaseException:  # noqa: BLE001 - the parent sees that it did not end well
            os._exit(3)
    _pid, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


def test_h1_the_process_killed_at_any_write_leaves_neither_result_nor_referral(fresh_db: str) -> None:
    # Source: job hazard H1: kill process between the two writes.
    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
    sample = bench.a_sample()
    bench.measured([(sample, "900")])
    lead = bench.lead()
    killed = 0
    while _killed_at(killed + 1, lambda: result_release_at_or_above(by=lead, sample=sample)):
        killed += 1
        assert not Result.objects.exists()
        assert not Referral.objects.exists()
        sample.refresh_from_db()
        assert (sample.state, sample.round.state) == ("ready_to_authorise", "result_due")
    assert killed > 15, "every statement of the release was tried"
    sample.refresh_from_db()
    assert Result.objects.get().side == "at_or_above"
    assert (Referral.objects.get().state, sample.state) == ("to_reach", "reported")


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize(
    ("raw", "comparison", "side"),
    [
        ("19.94", ">=", "below"), ("19.94", ">", "below"),
        ("19.95", ">=", "at_or_above"), ("19.95", ">", "below"),
        ("19.99", ">=", "at_or_above"), ("19.99", ">", "below"),
        ("20.0", ">=", "at_or_above"), ("20.0", ">", "below"),
        ("20.00", ">=", "at_or_above"), ("20.04", ">", "at_or_above"), ("20.05", ">", "at_or_above"),
        ("<19.9", ">=", "below"), ("<20", ">=", "needs_person"), ("<20", ">", "below"), ("<20.1", ">", "needs_person"),
        (">20", ">=", "at_or_above"), (">20", ">", "at_or_above"), (">19", ">=", "needs_person"),
    ],
)  # fmt: skip
def test_h3_a_reading_delivered_in_ug_per_g_is_compared_as_displayed(
    raw: str, comparison: str, side: str
) -> None:
    # Source: job hazard H3 (19.94, 19.95, 19.99, 20.0, 20.00, ">", "<") and ruling R4: cutoff 20, one decimal, half up.
    CutoffRule.objects.update(comparison=comparison)
    ControlLot.objects.filter(analyser__code="Q1", level=1).update(unit="ug/g", target=18, sd=Decimal("1.1"))
    ControlLot.objects.filter(analyser__code="Q1", level=2).update(unit="ug/g", target=96, sd=Decimal("4.5"))
    values = (Decimal("18.2"), Decimal("95.6"))
    sample = bench.a_sample()
    run = run_open(
        by=bench.technician(), analyser=bench.analyser(), unit="ug/g", readings=bench.controls(values)
    )
    bench.load(run, [(sample.serial, raw, "ug/g")])
    run_close(by=bench.technician(), run=run, readings=bench.controls(values))
    (found,) = candidates([sample.pk])
    assert found.side.value == side
    assert results_release_below(by=bench.lead()) == (1 if side == "below" else 0)


def _clerk(session: Any, kit: Kit, name_on_label: str) -> None:
    """What the front desk does: scan, compare the name shown with the label, then key the day or set it aside."""
    shown = post.scan(session, kit.serial)
    fits = shown.name == name_on_label
    day = post.day_of(2)
    post.scan(session, kit.serial, day, "" if fits else "other_name")


@pytest.mark.usefixtures("region")
def test_h5_a_mailing_offset_by_one_pack_reaches_no_bench() -> None:
    # Source: job hazard H5 and 2.4 exception 2: offset file by one row; nothing of it may be measured.
    office = cast.member(cast.MANAGER)
    kits_stock(by=office, lot=factories.Lot.objects.get(code="KL002"), first_number=1, count=20)
    for _ in range(6):
        factories.a_person(next_due_on=clock.today() - timedelta(days=10))
    with clock.at(NOON - timedelta(days=10)):
        batch = batch_open(by=office, size=6)
        assert batch_dispatch(by=office, batch=batch) == 6
    kits = [round_.kits.get() for round_ in Round.objects.filter(batch=batch).order_by("pk")]
    session = post.a_session()
    for kit, sent_to in zip(kits, [*kits[1:], kits[0]], strict=True):
        assert sent_to.round is not None
        _clerk(session, kit, str(sent_to.round.person))
    assert set(Return.objects.values_list("state", flat=True)) == {"set_aside"}
    assert samples_take_in(by=bench.technician()) == 0
    run = bench.an_open_run()
    file = bench.load(run, [(kit.serial, "900") for kit in kits])
    assert file.taken == 0
    assert not Sample.objects.exists()


@pytest.mark.usefixtures("region")
def test_h6_two_kits_of_one_household_crossed_are_both_held_and_both_replaced() -> None:
    # Source: job hazard H6 and 2.7: hold both, do not re-assign, replace both.
    one = factories.a_person()
    other = factories.a_person(given_names="Oskar", address_1=one.address_1)
    kits = [post.kit_of(factories.a_round(person)) for person in (one, other)]
    session = post.a_session()
    _clerk(session, kits[0], str(other))
    _clerk(session, kits[1], str(one))
    backs = [Return.objects.get(kit=kit) for kit in kits]
    assert [back.state for back in backs] == ["set_aside", "set_aside"]
    assert {m.reason for back in backs for m in back.moves.filter(event="set_aside")} == {"swap_suspected"}
    return_solve(
        by=cast.member(cast.PHONE_DESK), return_=backs[0], answer="swapped", other_serial=kits[1].serial
    )
    for kit, person in zip(kits, (one, other), strict=True):
        kit.refresh_from_db()
        assert kit.round is not None
        assert (kit.round.person, kit.round.state) == (person, "kit_due")
        assert Return.objects.get(kit=kit).state == "unsuitable"
    assert samples_take_in(by=bench.technician()) == 0


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("value", ["5", "900"])
def test_h6_a_swap_found_after_measuring_reports_nothing_below_and_loses_nothing_above(value: str) -> None:
    # Source: job 2.7: if one was already measured at or above, never discard the signal.
    one = factories.a_person()
    other = factories.a_person(given_names="Oskar", address_1=one.address_1)
    sample = bench.a_sample(factories.a_round(one))
    bench.measured([(sample, value)])
    kit = post.kit_of(factories.a_round(other))
    _clerk(post.a_session(), kit, str(one))
    return_solve(
        by=cast.member(cast.PHONE_DESK), return_=Return.objects.get(kit=kit), answer="swapped", other_serial=sample.serial
    )  # fmt: skip
    assert results_release_below(by=bench.lead()) == 0
    with pytest.raises(RoundbookError):
        result_release_below(by=bench.lead(), sample=sample, reason="It is only the label.")
    assert [one.side.value for one in candidates([sample.pk])] == [
        "below" if value == "5" else "at_or_above"
    ], "it stays on the release list until a person has dealt with it"


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("merged", ["", "earlier_into_now", "now_into_earlier", "both_into_a_third"])
def test_h13_no_plain_below_while_an_earlier_result_at_or_above_is_unanswered(merged: str) -> None:
    # Source: job hazard H13, invariant I30; a merged record's history is the person's.
    now = factories.a_person()
    earlier = factories.a_person() if merged else now
    first = bench.a_sample(factories.a_round(earlier))
    bench.measured([(first, "900")])
    result_release_at_or_above(by=bench.lead(), sample=first)
    with acting(bench.lead()):
        make_move(first.round, "conclude", reason="follow_up_concluded")
    sample = bench.a_sample(factories.a_round(now))
    third = factories.a_person()
    into = {
        "earlier_into_now": {earlier.pk: now},
        "now_into_earlier": {now.pk: earlier},
        "both_into_a_third": {earlier.pk: third, now.pk: third},
    }
    for pk, root in into.get(merged, {}).items():
        Person.objects.filter(pk=pk).update(merged_into=root)
    bench.measured([(sample, "3")])
    assert results_release_below(by=bench.lead()) == 0
    with pytest.raises(RoundbookError) as refused:
        result_release_below(by=bench.lead(), sample=sample, reason="clean")
    assert refused.value.code == "clinician_missing"


@pytest.mark.usefixtures("region")
def test_h13_an_answered_one_does_not_hold_the_next_below() -> None:
    first = bench.a_sample()
    bench.measured([(first, "900")])
    result_release_at_or_above(by=bench.lead(), sample=first)
    services.referral_close(
        by=f.emrik(), referral=Referral.objects.get(), reason="already_examined", document="REP-7"
    )
    sample = bench.a_sample(factories.a_round(first.person))
    bench.measured([(sample, "3")])
    assert results_release_below(by=bench.lead()) == 1


ABOUT_SOMETHING_ELSE = "Blood thinner paused as agreed with the doctor."


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize(
    ("answer", "fact", "words", "hazard"),
    [
        ("kidney_disease", "preparation", "macrogol", "H42"),
        ("interpreter", "interpreted_by", "the service", "H43"),
    ],
    ids=["h42", "h43"],
)
def test_h42_h43_words_about_something_else_let_nothing_be_booked(
    answer: str, fact: str, words: str, hazard: str
) -> None:
    # Source: job hazards H42 (kidney disease and the wrong preparation) and H43 (interpreter need ignored).
    referral = f.a_referral("to_assess")
    asked: dict[str, Any] = {
        "outcome": "conditions",
        "answers": f.ANSWERS | {answer: True},
        "plan": ABOUT_SOMETHING_ELSE,
    }
    asked["preparation"] = "" if fact == "preparation" else "macrogol"
    told = set()
    for act in (
        lambda: services.assessment_record(by=f.liora(), referral=referral, **asked),
        lambda: services.booking_make(
            by=f.liora(), referral=referral, site=f.unit(), day=date(2026, 6, 24), time=time(9)
        ),
    ):
        try:
            act()
        except RoundbookError as refused:
            told |= set(refused.data.get("hazards", []))
    assert told == {hazard}
    assert not Booking.objects.exists()
    made = services.assessment_record(by=f.liora(), referral=referral, **(asked | {fact: words}))
    assert getattr(made, fact) == words
    referral.refresh_from_db()
    assert services.booking_make(
        by=f.liora(), referral=referral, site=f.unit(), day=date(2026, 6, 24), time=time(9)
    )


def booked_past_the_services(answers: dict[str, bool]) -> None:
    """An assessment and a booking written without any service."""
    day, who, referral = clock.today(), f.liora(), f.a_referral("to_assess")
    with transaction.atomic():
        Assessment.objects.create(
            referral=referral, outcome="fit", plan="x", made_on=day, made_by=who, **answers
        )
        Booking.objects.create(
            referral=referral, site=f.unit(), day=day, time=time(9), made_by=who, made_on=day
        )


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("answer", ["kidney_disease", "interpreter"])
def test_h42_h43_the_database_refuses_to_book_on_such_an_assessment_too(answer: str) -> None:
    with pytest.raises(DatabaseError):
        booked_past_the_services(f.ANSWERS | {answer: True})


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("stage", ["printed", "handed_over"])
def test_h14_an_old_letter_on_paper_is_stopped_and_one_that_left_is_followed_by_the_new(stage: str) -> None:
    # Source: job hazard H14 and 2.9 exceptions 2 and 3: amend at each letter state.
    office, sample = cast.member(cast.MANAGER), bench.a_sample()
    bench.measured([(sample, "50")])
    assert results_release_below(by=bench.lead()) == 1
    old = Result.objects.get(sample=sample)
    later = NOON + timedelta(days=7)
    with clock.at(later):
        letters_plan(by=office)
        letters_freeze(by=office)
        printed = print_run_make(by=office, kind="result_below")
        letter = Letter.objects.get(result=old, kind="result_below")
        assert letter.state == "printed"
        if stage == "handed_over":
            assert print_run_hand_over(by=office, print_run=printed, without_document=True) == 1
        run = bench.an_open_run()
        reading = Reading.objects.create(
            sample=sample, run=run, running_number=1, raw="400", value=400, unit="ng/mL", analysed_on=clock.today(),
            read_at=clock.now(), file=old.reading.file,
        )  # fmt: skip
        run_close(by=bench.technician(), run=run, readings=bench.controls())
        new = result_amend(
            by=bench.lead(), result=old, reason="Measured again.", second=bench.technician(), reading=reading
        )
        assert (new.side, Referral.objects.get().state) == ("at_or_above", "to_reach"), "phone first"
        if stage == "printed":
            PrintRun.objects.filter(pk=printed.pk).update(status=PrintRun.Status.READY)
            assert set(pulls_of(printed)) == {letter.pk}
            with pytest.raises(RoundbookError) as refused:
                print_run_hand_over(by=office, print_run=printed)
            assert refused.value.code == "pull_first"
            token = PrintedLetter.objects.get(letter=letter).token
            print_run_pull(by=office, print_run=printed, token=token)
        letters_plan(by=office)
    letter.refresh_from_db()
    assert letter.state == ("superseded" if stage == "printed" else "handed_over")
    told = "corrected_result" if stage == "handed_over" else "result_more_tests"
    assert Letter.objects.filter(result=new, kind=told).exists()
