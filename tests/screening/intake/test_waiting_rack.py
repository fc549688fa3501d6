"""Scans made while the network was away: never accepted unseen, stored once, made up one by one (R16)."""

import pytest

from screening.models import IntakeSession, Kit, Return, Scan
from screening.services import intake
from screening.services.intake import bench_scan
from screening.services.intake_answers import ScanAnswer
from screening.services.intake_solve import reason_of
from screening.services.intake_sql import recount
from staff.errors import RoundbookError
from tests import cast
from tests.screening.intake import bench
from tests.screening.intake.test_bench import say


@pytest.fixture
def session(region: object) -> IntakeSession:
    """A session of the front desk."""
    return bench.a_session()


def away(
    session: IntakeSession, raw: str, day: str = "", *, sequence: int = 0, window: str = "w", **more: object
) -> ScanAnswer:
    """A scan that waited in the browser for the network."""
    latest = Scan.objects.filter(session=session).order_by("-sequence").first()
    return bench_scan(
        by=cast.member(cast.FRONT_DESK), session=session, sequence=sequence or (latest.sequence + 1 if latest else 1),
        raw=raw, day=day, offline=True, window=window, claimed=cast.member(cast.PHONE_DESK).pk, **more,
    )  # fmt: skip


def counts_of(session: IntakeSession) -> tuple[int, int, int]:
    """The counts the session keeps."""
    session.refresh_from_db()
    return session.accepted, session.set_aside, session.not_ours


def test_a_scan_made_offline_waits_for_its_name_check(session: IntakeSession) -> None:
    kit = bench.kit_out()
    stored = away(session, kit.serial, bench.day_of(3))
    assert (stored.outcome, stored.code) == ("set_aside", "name_check_owed")
    assert str(stored.position) == "waiting rack W1, place 1"
    back = Return.objects.get(kit=kit)
    assert (back.state, back.name_checked, back.label_day) == ("set_aside", False, bench.day_of(3))
    scan = Scan.objects.get()
    assert (scan.offline, scan.claimed_by, scan.by) == (
        True, cast.member(cast.PHONE_DESK), cast.member(cast.FRONT_DESK),
    )  # fmt: skip


def test_the_same_waiting_scan_sent_again_is_stored_once(session: IntakeSession) -> None:
    kit = bench.kit_out()
    first = away(session, kit.serial, bench.day_of(3), sequence=7)
    again = away(session, kit.serial, bench.day_of(3), sequence=7)
    assert (again.outcome, str(again.position)) == (first.outcome, str(first.position))
    other = away(session, kit.serial, bench.day_of(3), sequence=7, window="x")
    assert (other.code, other.stored) == ("sequence_taken", False)
    assert (Return.objects.count(), Scan.objects.count(), counts_of(session)) == (1, 1, (0, 1, 0))


def test_the_name_is_compared_later_and_the_kit_gets_its_place(session: IntakeSession) -> None:
    kits = [bench.kit_out(), bench.kit_out()]
    for kit in kits:
        away(session, kit.serial, bench.day_of(3))
    shown = say(session, kits[0].serial)
    assert (shown.outcome, shown.code, shown.name) == ("shown", "compare_owed", str(kits[0].round.person))
    made_up = say(session, "RB-NAMEFITS")
    assert (made_up.outcome, str(made_up.position)) == ("made_up", "tray 1, place 1")
    back = Return.objects.get(kit=kits[0])
    assert (back.state, back.name_checked, back.kit.round.state) == ("ready", True, "result_due")
    say(session, kits[1].serial)
    assert str(say(session, bench.day_of(2)).position) == "tray 1, place 2"
    assert counts_of(session) == recount(session.pk) == (2, 0, 0)
    assert say(session, kits[1].serial).outcome == "already_logged"
    assert say(session, "RB-UNDO").outcome == "undone"
    assert say(session, "RB-UNDO ").code == "undo_made_up"


def test_a_name_that_turns_out_wrong_is_set_aside_for_that(session: IntakeSession) -> None:
    kit = bench.kit_out()
    away(session, kit.serial, bench.day_of(3))
    say(session, kit.serial)
    aside = say(session, "RB-SETASIDE-OTHERNAME")
    assert (aside.outcome, str(aside.position)) == ("owed_aside", "slot A1")
    back = Return.objects.get(kit=kit)
    assert (back.state, reason_of(back), back.pool) == ("set_aside", "other_name", "phone_desk")
    assert counts_of(session) == recount(session.pk) == (0, 1, 0)


def test_an_unfit_kit_of_the_waiting_rack_calls_for_another(session: IntakeSession) -> None:
    kit = bench.kit_out(sent_days_ago=30)
    away(session, kit.serial)
    say(session, kit.serial)
    too_old = say(session, bench.day_of(20))
    assert (too_old.outcome, too_old.code) == ("owed_aside", "over_age")
    back = Return.objects.get(kit=kit)
    assert (back.state, back.kit.round.state) == ("unsuitable", "kit_due")


def test_a_stop_found_while_offline_raises_its_alarm_when_the_kit_is_in_hand(session: IntakeSession) -> None:
    dead, fine = bench.kit_of_the_dead(), bench.kit_out()
    stop = away(session, dead.serial, bench.day_of(3))
    assert (stop.outcome, stop.needs_acknowledge) == ("stop", False)
    assert away(session, fine.serial, bench.day_of(3)).outcome == "set_aside"
    alarm = say(session, dead.serial)
    assert (alarm.outcome, alarm.needs_acknowledge, str(alarm.position)) == ("owed_stop", True, "slot A1")
    assert say(session, fine.serial).code == "alarm_waiting"
    say(session, "RB-ACKNOWLEDGE")
    assert counts_of(session) == recount(session.pk) == (0, 2, 0)


def test_what_is_not_ours_is_not_counted_before_it_is_in_hand(session: IntakeSession) -> None:
    assert away(session, bench.foreign()).code == "later"
    assert away(session, bench.unknown()).code == "later"
    assert counts_of(session) == recount(session.pk) == (0, 0, 0)


def test_marks_and_a_day_that_cannot_be_travel_with_the_kit(session: IntakeSession) -> None:
    leaking, odd = bench.kit_out(), bench.kit_out()
    stored = away(session, leaking.serial, cards=["RB-SETASIDE-EMPTY", "RB-NOSUCH"])
    assert (stored.outcome, stored.code) == ("set_aside", "empty")
    assert away(session, odd.serial, "45").code == "name_check_owed"


def test_a_kit_shown_before_the_network_went_takes_its_day_along(session: IntakeSession) -> None:
    kit = bench.kit_out()
    say(session, kit.serial)
    stored = away(session, bench.day_of(3), pending=kit.serial)
    assert (stored.outcome, stored.code) == ("set_aside", "name_check_owed")


def test_a_session_with_names_owed_is_not_closed(session: IntakeSession) -> None:
    kit, brisa = bench.kit_out(), cast.member(cast.FRONT_DESK)
    away(session, kit.serial, bench.day_of(3))
    with pytest.raises(RoundbookError, match="not compared yet: 1"):
        intake.session_close(by=brisa, session=session)
    say(session, kit.serial)
    say(session, "RB-NAMEFITS")
    assert intake.session_close(by=brisa, session=session).counts.accepted == 1


def test_name_fits_says_so_where_no_day_was_stored(session: IntakeSession) -> None:
    kit = bench.kit_out()
    away(session, kit.serial)
    say(session, kit.serial)
    assert say(session, "RB-NAMEFITS").code == "no_stored_day"
    fresh = bench.a_session()
    other = bench.kit_out()
    say(fresh, other.serial)
    assert say(fresh, "=").code == "no_stored_day"
    assert Kit.objects.get(pk=other.pk).state == "dispatched"
