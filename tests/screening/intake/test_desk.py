"""Trays and places, sessions resumed and counted, two people at a desk, hand-ins, practice, and one desk alone."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from screening.models import Delivery, IntakeSession, Kit, Return, Scan, ScreeningPolicy, SessionMode, Tray
from screening.services import intake
from screening.services.intake_answers import ScanAnswer
from screening.services.intake_left import kits_left
from screening.services.intake_places import TRAY_PLACES, label_for
from screening.services.intake_practice import practice_serials
from screening.services.intake_sql import recount
from staff import clock
from staff.errors import RoundbookError
from tests import cast, factories
from tests.screening.intake import bench
from tests.screening.intake.test_bench import say


@pytest.fixture
def session(region: object) -> IntakeSession:
    """A session of the front desk."""
    return bench.a_session()


def counts_of(session: IntakeSession) -> tuple[int, int, int]:
    """The counts the session keeps."""
    session.refresh_from_db()
    return session.accepted, session.set_aside, session.not_ours


def later(seconds: int = 5) -> object:
    """Some seconds later, so that nothing is heard twice."""
    return clock.at(clock.now() + timedelta(seconds=seconds))


def log(session: IntakeSession, kit: Kit | None = None) -> ScanAnswer:
    """A kit with its day, in one scan."""
    return bench.scan(session, (kit or bench.kit_out()).serial, bench.day_of(3))


def test_every_kit_has_its_place_and_a_full_tray_is_followed_by_the_next(session: IntakeSession) -> None:
    first = log(session)
    Tray.objects.update(filled=TRAY_PLACES - 1)
    assert [str(log(session).position) for _ in range(2)] == ["tray 1, place 50", "tray 2, place 1"]
    assert str(first.position) == "tray 1, place 1"
    full, next_one = Tray.objects.order_by("pk")
    assert (full.closed_at is not None, next_one.closed_at) == (True, None)
    places = Return.objects.order_by("pk").values_list("tray__label", "position")
    assert list(places) == [("1", 1), ("1", 50), ("2", 1)]


def test_two_desks_fill_different_trays_and_labels_begin_anew_each_day(session: IntakeSession) -> None:
    other = bench.a_session()
    assert [str(log(one).position) for one in (session, other, session)] == [
        "tray 1, place 1", "tray 2, place 1", "tray 1, place 2",
    ]  # fmt: skip
    aside = [str(bench.scan(one, bench.kit_out().serial, "", "leaking").position) for one in (session, other)]
    assert aside == ["slot A1", "slot B1"]
    with clock.at(clock.now() + timedelta(days=1)):
        assert str(log(bench.a_session()).position) == "tray 1, place 1"
    assert [label_for("aside", n) for n in (1, 26, 27, 53)] == ["A", "Z", "AA", "BA"]


def test_the_card_new_tray_and_the_label_of_a_tray(session: IntakeSession) -> None:
    log(session)
    assert say(session, "RB-NEWTRAY").outcome == "tray"
    assert say(session, "RB-NEWTRAY ").code == "tray_empty"
    assert str(log(session).position) == "tray 2, place 1"
    assert say(session, "RB-TRAY-T07").outcome == "tray"
    assert str(log(session).position) == "tray T07, place 1"
    assert say(bench.a_session(), "RB-TRAY-T07").code == "tray_taken"


def test_a_kit_that_waits_for_its_day_keeps_waiting_while_the_tray_is_changed(session: IntakeSession) -> None:
    log(session)
    kit = bench.kit_out()
    say(session, kit.serial)
    assert say(session, "RB-NEWTRAY").waiting_for_day
    assert str(say(session, bench.day_of(2)).position) == "tray 2, place 1"


def test_undo_goes_back_to_the_start_of_the_tray_and_gives_the_place_again(session: IntakeSession) -> None:
    log(session)
    say(session, "RB-NEWTRAY")
    log(session)
    log(session)
    for code in ("", "", "undo_tray_closed"):
        with later(Scan.objects.count() * 2):
            undone = say(session, "RB-UNDO")
        assert (undone.code == code) == (code != "")
    assert counts_of(session) == recount(session.pk) == (1, 0, 0)
    assert str(log(session).position) == "tray 2, place 1"


def test_the_database_puts_one_kit_in_a_place(session: IntakeSession) -> None:
    log(session)
    log(session)
    with pytest.raises(IntegrityError, match="one_kit_a_place"), transaction.atomic():
        Return.objects.update(position=1)
    with pytest.raises(IntegrityError, match="tray_is_not_overfull"), transaction.atomic():
        Tray.objects.update(filled=51)


def test_the_kept_counts_are_those_of_the_scans(session: IntakeSession) -> None:
    log(session)
    bench.scan(session, bench.kit_out().serial, "", "no_name")
    bench.scan(session, bench.foreign())
    bench.scan(session, bench.kit_of_the_dead().serial)
    say(session, "RB-ACKNOWLEDGE")
    bench.scan(session, bench.unknown())
    say(session, "RB-ACKNOWLEDGE ")
    assert counts_of(session) == recount(session.pk) == (1, 2, 2)
    for n in range(5):
        with later(10 * (n + 1)):
            say(session, "RB-UNDO")
    assert counts_of(session) == recount(session.pk) == (0, 0, 0)


def test_a_paused_session_is_resumed_by_whoever_scans_its_slip(session: IntakeSession) -> None:
    log(session)
    assert say(session, "RB-PAUSE").outcome == "paused"
    session.refresh_from_db()
    assert session.paused_at is not None
    junia = cast.member(cast.PHONE_DESK)
    resumed = intake.session_resume(by=junia, session=session)
    assert (resumed.paused_at, resumed.operator) == (None, junia)
    assert str(log(session).position) == "tray 1, place 2"


def test_two_people_at_one_desk_are_both_named(region: object) -> None:
    brisa, junia = cast.member(cast.FRONT_DESK), cast.member(cast.PHONE_DESK)
    delivery = factories.a_delivery()
    session = intake.session_start(by=brisa, delivery=delivery, partner=junia)
    assert (session.operator, session.partner) == (brisa, junia)
    with pytest.raises(RoundbookError, match="other person"):
        intake.session_start(by=brisa, delivery=delivery, partner=brisa)
    taken_over = intake.session_resume(by=junia, session=session)
    assert (taken_over.operator, taken_over.partner) == (junia, None)


def test_a_count_that_agrees_settles_the_delivery_and_another_needs_a_second_person(
    session: IntakeSession,
) -> None:
    brisa, junia = cast.member(cast.FRONT_DESK), cast.member(cast.PHONE_DESK)
    log(session)
    summary = intake.session_close(by=brisa, session=session, hand_count=2)
    delivery = Delivery.objects.get(pk=session.delivery_id)
    assert (summary.difference, delivery.settled_at) == (-1, None)
    for by, reason, code in ((junia, " ", "reason_missing"), (brisa, "one was empty", "second_person")):
        with pytest.raises(RoundbookError) as refused:
            intake.delivery_settle(by=by, delivery=delivery, reason=reason)
        assert refused.value.code == code
    settled = intake.delivery_settle(by=junia, delivery=delivery, reason="counted an advert twice")
    assert (settled.settled_by, settled.settled_reason) == (junia, "counted an advert twice")
    with pytest.raises(RoundbookError, match="is settled"):
        intake.hand_count_correct(by=junia, delivery=delivery, hand_count=1)
    again = bench.a_session()
    log(again)
    intake.session_close(by=brisa, session=again, hand_count=1)
    assert Delivery.objects.get(pk=again.delivery_id).settled_by == brisa


def test_a_delivery_is_not_settled_while_a_session_of_it_is_open(session: IntakeSession) -> None:
    other = intake.session_start(by=cast.member(cast.PHONE_DESK), delivery=session.delivery)
    log(session)
    intake.session_close(by=cast.member(cast.FRONT_DESK), session=session, hand_count=1)
    assert Delivery.objects.get().settled_at is None
    with pytest.raises(RoundbookError, match="still open"):
        intake.delivery_settle(by=cast.member(cast.MANAGER), delivery=session.delivery, reason="x")
    intake.session_close(by=cast.member(cast.PHONE_DESK), session=other)
    assert Delivery.objects.get().settled_at is not None


def test_the_helper_points_at_the_tray_with_a_gap(session: IntakeSession) -> None:
    log(session)
    say(session, "RB-NEWTRAY")
    log(session)
    Tray.objects.filter(label="2").update(filled=4)
    gaps = intake.difference_helper(session.delivery)
    assert [(gap.tray.label, gap.held, gap.missing) for gap in gaps] == [("2", 1, 3), ("1", 1, 0)]


def test_what_was_scanned_and_is_logged_nowhere_is_named(session: IntakeSession, signed_in: object) -> None:
    kept, undone, refused = bench.kit_out(), bench.kit_out(), bench.kit_out()
    say(session, kept.serial)
    say(session, bench.day_of(2))
    say(session, undone.serial)
    say(session, refused.serial)
    say(session, "RB-UNDO")
    assert kits_left(session.delivery) == sorted([undone.serial, refused.serial])
    page = signed_in(cast.FRONT_DESK).get(reverse("screening:post-delivery", args=[session.delivery_id]))
    assert undone.serial in page.content.decode()
    say(session, refused.serial)
    say(session, bench.day_of(2))
    assert kits_left(session.delivery) == [undone.serial]


def test_handed_in_a_missing_name_or_day_is_asked_for_while_the_person_stands_there(region: object) -> None:
    brisa = cast.member(cast.FRONT_DESK)
    session = intake.session_start(by=brisa, delivery=factories.a_delivery(), mode=SessionMode.HAND_IN)
    kit = bench.kit_out()
    say(session, kit.serial)
    asked = say(session, "RB-SETASIDE-NONAME")
    assert (asked.outcome, asked.waiting_for_day, asked.name) == ("ask_now", True, str(kit.round.person))
    assert say(session, ".").code == "ask_now_date"
    assert say(session, bench.day_of(1)).outcome == "accepted"
    gone = bench.kit_out()
    say(session, gone.serial)
    say(session, "RB-SETASIDE-NONAME")
    with later():
        assert say(session, "RB-SETASIDE-NONAME").outcome == "set_aside"
    undated = bench.kit_out()
    say(session, undated.serial)
    say(session, ".")
    assert say(session, ".").outcome == "accepted_with_remark"


def test_practice_uses_the_real_rules_and_logs_nothing(region: object) -> None:
    brisa = cast.member(cast.FRONT_DESK)
    session = intake.session_start(by=brisa, delivery=None, mode=SessionMode.PRACTICE)
    real, serials = bench.kit_out(), practice_serials()
    shown = say(session, serials[0])
    assert (shown.outcome, shown.name) == ("shown", "Bram Ostrelle")
    assert (say(session, bench.day_of(3)).outcome, say(session, serials[0]).outcome) == (
        "accepted", "already_logged",
    )  # fmt: skip
    assert say(session, serials[2]).needs_acknowledge
    say(session, "RB-ACKNOWLEDGE")
    assert say(session, real.serial).outcome == "not_ours"
    assert say(bench.a_session(), serials[0]).outcome == "not_ours"
    assert not Return.objects.exists()
    assert Kit.objects.get(pk=real.pk).state == "dispatched"
    assert Scan.objects.filter(session=session, kit__isnull=False).count() == 0
    intake.session_close(by=brisa, session=session)
    with pytest.raises(IntegrityError, match="only_practice_has_no_delivery"), transaction.atomic():
        IntakeSession.objects.filter(pk=session.pk).update(mode="post")


def test_one_desk_alone_works_without_trays(session: IntakeSession) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL roundbook.now = '2026-06-17T12:00:00Z'")
        cursor.execute(f"SET LOCAL roundbook.actor = '{cast.member(cast.ADMINISTRATOR).pk}'")
        ScreeningPolicy.objects.update(one_desk=True)
    accepted = log(session)
    assert (accepted.outcome, str(accepted.position)) == ("accepted", "")
    aside = bench.scan(session, bench.kit_out().serial, "", "leaking")
    assert (aside.outcome, str(aside.position)) == ("set_aside", "")
    assert say(session, "RB-NEWTRAY").code == "no_trays"
    assert not Tray.objects.exists()
    assert counts_of(session) == (1, 1, 0)


def test_a_kit_posted_after_its_delivery_arrived_says_that_the_arrival_day_is_wrong(region: object) -> None:
    brisa, kit = cast.member(cast.FRONT_DESK), bench.kit_out(sent_days_ago=10)
    mistyped = factories.a_delivery(arrived=clock.today() - timedelta(days=12), by=brisa)
    session = intake.session_start(by=brisa, delivery=mistyped)
    answer = bench.scan(session, kit.serial, bench.day_of(3))
    assert (answer.outcome, answer.code) == ("set_aside", "arrival_day_wrong")
    assert "that arrival day must be wrong" in str(answer.sentence)
    assert "not left us" not in str(answer.sentence)
    assert Return.objects.get(kit=kit).pool == "front_desk"
    with later():
        assert say(session, "RB-UNDO").outcome == "undone"
        assert log(bench.a_session(), kit).outcome == "accepted"
