"""The rhythm at the bench: name, day, cards, alarms, repeats, undoing, sessions that are left and resumed."""

import threading
from datetime import timedelta

import pytest
from django.db import connection

from outreach.models import Letter
from outreach.services.planning import letters_plan
from screening.models import IntakeSession, Return, Scan
from screening.serials import serial_make
from screening.services.batches import replacements_send
from screening.services.intake import (
    bench_scan,
    kit_scan,
    scan_undo,
    session_bench,
    session_close,
    session_resume,
)
from screening.services.intake_answers import ScanAnswer
from screening.services.intake_cards import CARDS, Heard, understand
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from tests import cast, factories
from tests.screening.intake import bench


def say(session: IntakeSession, raw: str, *, sequence: int = 0) -> ScanAnswer:
    """One scan or keyed line as the page sends it, with the kit the page shows."""
    standing = session_bench(session=IntakeSession.objects.get(pk=session.pk))
    return bench_scan(
        by=cast.member(cast.FRONT_DESK), session=session, sequence=sequence or standing.counts.sequence + 1, raw=raw,
        pending=standing.serial if standing.waiting_for_day else "",
    )  # fmt: skip


@pytest.fixture
def session(region: object) -> IntakeSession:
    """A session of the front desk."""
    return bench.a_session()


def test_name_first_then_the_day(session: IntakeSession) -> None:
    kit = bench.kit_out()
    shown = say(session, f"]C0{kit.serial.lower()}")
    assert (shown.outcome, shown.waiting_for_day) == ("shown", True)
    assert (shown.name, shown.birth_year) == (str(kit.round.person), 1964)
    assert not Return.objects.exists()
    day = clock.today() - timedelta(days=3)
    accepted = say(session, str(day.day))
    assert (accepted.outcome, accepted.counts.accepted) == ("accepted", 1)
    assert str(accepted.day_words) == "14 June, 3 days ago"
    assert str(accepted.position) == "tray 1, place 1"
    back = Return.objects.get(kit=kit)
    assert (back.collected_earliest, back.name_checked, back.session) == (day, True, session)


def test_a_kit_of_a_household_with_another_kit_out_says_so(session: IntakeSession) -> None:
    person = factories.a_person()
    kit = bench.kit_of(factories.a_round(person))
    assert not say(session, kit.serial).remark
    say(session, "RB-UNDO")
    factories.a_round(factories.a_person(address_1=person.address_1))
    with clock.at(clock.now() + timedelta(seconds=5)):
        assert "same address" in str(say(session, kit.serial).remark)


def test_the_same_day_as_last(session: IntakeSession) -> None:
    assert say(session, bench.kit_out().serial).outcome == "shown"
    assert say(session, "+").code == "no_last_day"
    assert say(session, bench.day_of(4)).outcome == "accepted"
    kit = bench.kit_out()
    say(session, kit.serial)
    assert say(session, "RB-SAMEDAY").outcome == "accepted"
    assert Return.objects.get(kit=kit).collected_latest == clock.today() - timedelta(days=4)


def test_a_slip_in_keying_keeps_the_kit_waiting(session: IntakeSession) -> None:
    say(session, bench.kit_out().serial)
    assert say(session, "45").code == "day_not_1_to_31"
    assert say(session, "RB-SETASIDE-NOSUCH").code == "unknown_card"
    assert say(session, bench.day_of(2)).outcome == "accepted"


def test_notes_are_kept_until_the_day_comes(session: IntakeSession) -> None:
    kit = bench.kit_out()
    say(session, kit.serial)
    assert say(session, "RB-NOTE-ENCLOSED").waiting_for_day
    answer = say(session, bench.day_of(2))
    assert (answer.outcome, "phone desk" in str(answer.remark)) == ("accepted_with_remark", True)
    assert Return.objects.get(kit=kit).remark == "note_enclosed"


def test_a_set_aside_card_needs_no_day_and_the_next_scan_nothing(session: IntakeSession) -> None:
    say(session, bench.kit_out().serial)
    aside = say(session, "RB-SETASIDE-NONAME")
    assert (aside.outcome, str(aside.position)) == ("set_aside", "slot A1")
    assert say(session, bench.kit_out().serial).outcome == "shown"


def test_another_kit_is_refused_while_one_waits(session: IntakeSession) -> None:
    first = bench.kit_out()
    say(session, first.serial)
    refused = say(session, bench.kit_out().serial)
    assert (refused.outcome, refused.code, refused.serial) == ("refused", "other_kit_owed", first.serial)
    assert say(session, bench.foreign()).code == "other_kit_owed"
    assert Scan.objects.filter(session=session).count() == 3


def test_a_day_keyed_with_another_kit_in_hand_goes_to_neither(session: IntakeSession) -> None:
    first, other = bench.kit_out(), bench.kit_out()
    say(session, first.serial)
    say(session, other.serial)
    for said in (bench.day_of(2), "RB-NODATE", "RB-SETASIDE-LEAKING", bench.day_of(2)):
        assert say(session, said).code == "day_whose", said
    assert not Return.objects.exists()
    assert say(session, first.serial).outcome == "shown"
    assert say(session, bench.day_of(2)).outcome == "accepted"
    assert Return.objects.get().kit == first
    assert say(session, other.serial).outcome == "shown"


def test_the_same_day_is_that_of_the_last_kit_that_was_not_undone(session: IntakeSession) -> None:
    say(session, bench.kit_out().serial)
    say(session, bench.day_of(5))
    say(session, bench.kit_out().serial)
    say(session, bench.day_of(3))
    assert say(session, "RB-UNDO").outcome == "undone"
    again = bench.kit_out()
    say(session, again.serial)
    assert say(session, "+").outcome == "accepted"
    assert Return.objects.get(kit=again).collected_latest == clock.today() - timedelta(days=5)


def test_a_day_without_a_kit_and_a_card_without_a_kit(session: IntakeSession) -> None:
    assert say(session, "12").code == "no_kit_yet"
    assert say(session, "RB-SETASIDE-LEAKING").code == "no_kit_yet"


def test_an_alarm_is_cleared_by_its_card_only(session: IntakeSession) -> None:
    kit, next_kit = bench.kit_of_the_dead(), bench.kit_out()
    alarm = say(session, kit.serial)
    assert (alarm.outcome, alarm.needs_acknowledge) == ("stop", True)
    scans = Scan.objects.count()
    for enter in ("", "\r\n"):
        assert say(session, enter).needs_acknowledge
    assert Scan.objects.count() == scans
    for other in (next_kit.serial, "12", "RB-UNDO"):
        refused = say(session, other)
        assert (refused.outcome, refused.code, refused.needs_acknowledge) == (
            "refused",
            "alarm_waiting",
            True,
        )
        assert refused.name == kit.round.person.__str__()
    assert Scan.objects.count() == scans + 3
    assert say(session, "RB-ACKNOWLEDGE").outcome == "acknowledged"
    assert say(session, next_kit.serial).outcome == "shown"


def test_the_same_sequence_gets_the_same_answer(session: IntakeSession) -> None:
    kit = bench.kit_out()
    day = bench.day_of(3)
    first = bench.scan(session, kit.serial, day, sequence=1)
    bench.scan(session, bench.kit_out().serial, day, sequence=2)
    again = bench.scan(session, kit.serial, day, sequence=1)
    same = ("outcome", "code", "name", "birth_year", "serial", "sequence")
    assert [getattr(again, one) for one in same] == [getattr(first, one) for one in same]
    assert (str(again.position), str(again.sentence)) == (str(first.position), str(first.sentence))
    assert again.counts.accepted == 2
    assert Return.objects.count() == 2
    taken = bench.scan(session, bench.kit_out().serial, day, sequence=1)
    assert (taken.outcome, taken.code) == ("refused", "sequence_taken")


def test_a_kit_heard_twice_counts_once_and_later_is_already_logged(session: IntakeSession) -> None:
    kit, day = bench.kit_out(), bench.day_of(3)
    say(session, kit.serial)
    twice = say(session, kit.serial)
    assert (twice.outcome, twice.waiting_for_day) == ("double", True)
    say(session, day)
    later = say(session, kit.serial)
    assert (later.outcome, later.counts.accepted) == ("already_logged", 1)
    assert Return.objects.count() == 1


def test_undo_takes_the_last_kit_back_and_then_the_one_before(session: IntakeSession) -> None:
    kits = [bench.kit_out(), bench.kit_out()]
    for kit in kits:
        bench.scan(session, kit.serial, bench.day_of(3))
    assert scan_undo(by=cast.member(cast.FRONT_DESK), session=session).counts.accepted == 1
    with clock.at(clock.now() + timedelta(seconds=5)):
        undone = scan_undo(by=cast.member(cast.FRONT_DESK), session=session)
    assert (undone.outcome, undone.counts.accepted) == ("undone", 0)
    assert session_bench(session=session).counts.accepted == 0
    for kit in kits:
        kit.refresh_from_db()
        assert (kit.state, kit.round.state, kit.returns.get().state) == ("dispatched", "kit_out", "undone")
    with clock.at(clock.now() + timedelta(seconds=9)):
        assert scan_undo(by=cast.member(cast.FRONT_DESK), session=session).code == "nothing_to_undo"
        assert bench.scan(session, kits[0].serial, bench.day_of(2)).outcome == "accepted"


def test_undo_of_what_is_only_shown_or_not_ours(session: IntakeSession) -> None:
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    say(session, bench.foreign())
    assert say(session, "RB-UNDO").counts.not_ours == 0
    say(session, bench.kit_out().serial)
    assert say(session, "RB-UNDO").outcome == "dropped"
    assert Return.objects.exclude(state="undone").count() == 1


def test_undo_is_refused_once_the_round_has_moved_on_or_a_new_kit_is_called_for(
    session: IntakeSession,
) -> None:
    kit = bench.kit_out()
    bench.scan(session, kit.serial, bench.day_of(3))
    with acting(cast.member(cast.LABORATORY)):
        make_move(kit.round, "below", reason="below")
    assert say(session, "RB-UNDO").code == "undo_too_late"
    assert Return.objects.get(kit=kit).state == "ready"
    spoilt, phone_desk = bench.kit_out(), cast.member(cast.PHONE_DESK)
    bench.scan(session, spoilt.serial, "", "over_full")
    factories.a_kit()
    assert replacements_send(by=phone_desk, round_ids=[spoilt.round_id]) == 1
    assert say(session, "RB-UNDO ").code == "undo_replaced"
    spoilt.refresh_from_db()
    assert (spoilt.state, spoilt.round.state) == ("returned", "kit_out")


def test_undo_of_an_unsuitable_kit_before_another_was_sent(session: IntakeSession) -> None:
    kit = bench.kit_out()
    bench.scan(session, kit.serial, "", "over_full")
    assert kit.round.state == "kit_out"
    kit.refresh_from_db()
    assert kit.round.state == "kit_due"
    letters_plan(by=cast.member(cast.PHONE_DESK))
    assert Letter.objects.get(kind="replacement").state == "owed"
    undone = say(session, "RB-UNDO")
    assert (undone.outcome, undone.counts.set_aside) == ("undone", 0)
    kit.refresh_from_db()
    assert (kit.state, kit.round.state, kit.returns.get().state) == ("dispatched", "kit_out", "undone")
    letters_plan(by=cast.member(cast.PHONE_DESK))
    assert Letter.objects.get(kind="replacement").state == "cancelled"
    assert replacements_send(by=cast.member(cast.PHONE_DESK)) == 0
    with clock.at(clock.now() + timedelta(seconds=5)):
        assert bench.scan(session, kit.serial, bench.day_of(3)).outcome == "accepted"


def test_undo_of_a_second_kit_leaves_the_round_with_the_first(session: IntakeSession) -> None:
    kit = bench.second_kit_while_the_first_waits()
    bench.scan(session, kit.serial, bench.day_of(2))
    assert say(session, "RB-UNDO").outcome == "undone"
    kit.refresh_from_db()
    assert (kit.state, kit.round.state, kit.round.pool) == ("dispatched", "result_due", "laboratory")


def test_a_session_is_left_and_resumed_by_somebody_else(session: IntakeSession) -> None:
    kit = bench.kit_out()
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    say(session, kit.serial)
    junia = cast.member(cast.PHONE_DESK)
    resumed = session_resume(by=junia, session=session)
    standing = session_bench(session=resumed)
    assert (resumed.operator, standing.serial, standing.counts.accepted) == (junia, kit.serial, 1)


def test_closing_shows_the_difference_from_the_count_by_hand(session: IntakeSession) -> None:
    brisa = cast.member(cast.FRONT_DESK)
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    say(session, bench.foreign())
    say(session, bench.kit_out().serial)
    with pytest.raises(RoundbookError) as owed:
        session_close(by=brisa, session=session, hand_count=3)
    assert owed.value.code == "day_owed"
    say(session, "RB-UNDO")
    summary = session_close(by=brisa, session=session, hand_count=3)
    assert (summary.delivery_scanned, summary.difference) == (2, -1)
    with pytest.raises(RoundbookError) as closed:
        bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    assert closed.value.code == "session_closed"
    assert session_close(by=brisa, session=session).difference == -1


def test_a_scan_takes_few_round_trips(session: IntakeSession, django_assert_max_num_queries: object) -> None:
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))  # the first one opens its tray
    kit, brisa = bench.kit_out(), cast.member(cast.FRONT_DESK)
    with django_assert_max_num_queries(5):
        kit_scan(by=brisa, session=session, sequence=2, raw=kit.serial, keyed_day=bench.day_of(3))


def test_an_unknown_condition_is_refused_in_words(session: IntakeSession) -> None:
    with pytest.raises(RoundbookError) as refused:
        bench.scan(session, bench.kit_out().serial, bench.day_of(3), "soggy")
    assert refused.value.code == "unknown_condition"


def test_every_card_is_understood_and_none_reads_as_a_serial_or_a_day() -> None:
    for code, card in CARDS.items():
        assert understand(code) == understand(code.lower())
        assert (understand(code).kind, understand(code).value) == (card.kind, card.value)
    assert understand("19").kind is Heard.DAY
    assert understand("TK0000").kind is Heard.MISREAD
    assert understand("XY12345678901").kind is Heard.FOREIGN
    assert understand(f" {serial_make(7)}\r").kind is Heard.SERIAL


@pytest.mark.parametrize(
    "same_sequence", [True, False], ids=["the same scan sent twice", "two windows, one kit"]
)
def test_two_at_once_make_one_return(fresh_db: str, same_sequence: bool) -> None:
    from oversight.rehearsal.setting import region_lay_down
    from tests.conftest import FIRST_DAY

    region_lay_down(first_day=FIRST_DAY)
    kit, day = bench.kit_out(), bench.day_of(3)
    sessions = [bench.a_session()] * 2 if same_sequence else [bench.a_session(), bench.a_session()]
    brisa, moment = cast.member(cast.FRONT_DESK), clock.now()
    start, outcomes = threading.Barrier(2), []

    def work(session: IntakeSession) -> None:
        with clock.at(moment):
            start.wait()
            outcomes.append(
                kit_scan(by=brisa, session=session, sequence=1, raw=kit.serial, keyed_day=day).outcome
            )
            connection.close()

    threads = [threading.Thread(target=work, args=(one,)) for one in sessions]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == (["accepted", "accepted"] if same_sequence else ["accepted", "already_logged"])
    assert Return.objects.count() == 1
    assert Scan.objects.count() == (1 if same_sequence else 2)
