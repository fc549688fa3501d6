"""Each situation of the accession table through the service: the outcome, and what the database then holds."""

from datetime import timedelta

import pytest

from screening.models import Kit, Return, Scan
from screening.services.intake import returns_log_many
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from tests import cast, factories
from tests.screening.intake import bench

pytestmark = pytest.mark.usefixtures("region")

READY = ("ready", "result_due", "laboratory", 7)
HOLD = ("set_aside", "result_due", "phone_desk", 2)
REPLACED = ("unsuitable", "kit_due", "office", 0)

# Source: the accession table of common practice and the programme's rulings on dates, late and second kits.
CASES = [
    ("accepted", "fit", bench.kit_out, "3", "", READY),
    ("accepted_with_remark", "fit", bench.kit_out, ".", "", READY),
    ("accepted_with_remark", "fit", bench.kit_of_a_late_round, "3", "", READY),
    ("accepted_with_remark", "fit", bench.kit_of_the_declined, "3", "", READY),
    ("accepted_with_remark", "fit", bench.kit_reported_lost, "3", "", READY),
    ("accepted_with_remark", "fit", bench.second_kit, "3", "", READY),
    ("accepted_with_remark", "fit", bench.kit_out, "3", "note_enclosed", READY),
    ("set_aside", "no_name", bench.kit_out, "3", "no_name", HOLD),
    ("set_aside", "other_name", bench.kit_out, "", "other_name", HOLD),
    ("set_aside", "leaking", bench.kit_out, "3", "leaking", HOLD),
    ("set_aside", "two_vials", bench.kit_out, "", "two_vials", ("set_aside", "result_due", "front_desk", 2)),
    (
        "set_aside",
        "other_month",
        bench.kit_out,
        "OTHER MONTH",
        "",
        ("set_aside", "result_due", "front_desk", 2),
    ),
    ("set_aside", "before_dispatch", bench.kit_out, "15", "", ("set_aside", "result_due", "phone_desk", 2)),
    ("set_aside", "opted_out", bench.kit_of_the_opted_out, "3", "", HOLD),
    ("set_aside", "kit_not_dispatched", bench.kit_never_dispatched, "3", "", HOLD),
    ("set_aside", "kit_was_undelivered", bench.kit_undelivered, "3", "", HOLD),
    ("set_aside", "kit_not_dispatched", bench.kit_sent_after_its_delivery, "3", "", HOLD),
    ("set_aside", "round_closed", bench.kit_of_the_excluded, "3", "", ("set_aside", "closed", "", None)),
    (
        "set_aside",
        "result_already",
        bench.second_kit_after_a_result,
        "3",
        "",
        ("set_aside", "closed", "", None),
    ),
    ("set_aside", "other_kit_in", bench.second_kit_while_the_first_waits, "3", "", ("set_aside", *READY[1:])),
    ("set_aside", "kit_not_assigned", bench.kit_in_stock, "3", "", ("set_aside", None, "", None)),
    ("set_aside", "empty", bench.kit_out, "", "empty", REPLACED),
    ("set_aside", "over_full", bench.kit_out, "3", "over_full", REPLACED),
    ("set_aside", "expired", bench.kit_expired, "3", "", REPLACED),
    ("set_aside", "over_full", bench.kit_of_a_late_round, "3", "over_full", REPLACED),
    (
        "set_aside",
        "over_full",
        bench.kit_of_the_declined,
        "3",
        "over_full",
        ("unsuitable", "closed", "", None),
    ),
    ("stop", "person_died", bench.kit_of_the_dead, "3", "", HOLD),
    ("stop", "lot_quarantined", bench.kit_of_a_quarantined_lot, "3", "", HOLD),
]
IDS = [f"{case[2].__name__}-{case[3]}-{case[4]}-{case[1]}" for case in CASES]


def keyed(day: str) -> str:
    """`3` in the table means the day three days ago, `15` the day fifteen days ago; cards stay as they are."""
    return bench.day_of(int(day)) if day.isdigit() else day


@pytest.mark.parametrize(("outcome", "reason", "situation", "day", "condition", "after"), CASES, ids=IDS)
def test_one_scan_and_many_at_once_decide_and_write_the_same(
    outcome: str, reason: str, situation: bench.Situation, day: str, condition: str, after: tuple
) -> None:
    kit, other = situation(), situation()
    session = bench.a_session()
    answer = bench.scan(session, kit.serial, keyed(day), condition)
    assert (answer.outcome, answer.code) == (outcome, reason)
    assert answer.needs_acknowledge == (outcome == "stop")
    assert str(answer.sentence)
    back = Return.objects.exclude(state="undone").get(kit=kit)
    kit.refresh_from_db()
    state, round_state, pool, days = after
    assert back.state == state
    assert kit.state == ("in_stock" if reason == "kit_not_assigned" else "returned")
    if round_state is None:
        assert kit.round is None
        assert kit.void_on is not None
    else:
        due = None if days is None else clock.today() + timedelta(days=days)
        assert (kit.round.state, kit.round.pool, kit.round.due_on) == (round_state, pool, due)
    if state == "set_aside":
        assert back.pool in ("phone_desk", "front_desk")
        assert back.due_on == clock.today() + timedelta(days=2)
    stored = Scan.objects.get(session=session)
    assert (stored.outcome, stored.code, stored.kit_id) == (outcome, reason, kit.pk)

    logged = returns_log_many(
        by=cast.member(cast.FRONT_DESK),
        delivery=session.delivery,
        rows=[(other.serial, keyed(day), condition)],
    )
    assert logged.rows == ((other.serial, outcome, reason),)
    assert logged.logged == 1
    assert bench.state_after(kit) == bench.state_after(other)


def test_kits_that_are_none_of_ours_or_unknown() -> None:
    session = bench.a_session()
    foreign = bench.scan(session, bench.foreign())
    assert (foreign.outcome, foreign.counts.not_ours, foreign.needs_acknowledge) == ("not_ours", 1, False)
    unknown = bench.scan(session, bench.unknown())
    assert (unknown.outcome, unknown.code, unknown.needs_acknowledge) == ("stop", "unknown_serial", True)
    assert Return.objects.count() == 0
    assert Scan.objects.filter(session=session).count() == 2
    logged = returns_log_many(
        by=cast.member(cast.FRONT_DESK), delivery=session.delivery,
        rows=[(bench.foreign(), "", ""), (bench.unknown(), "", ""), ("TK12", "", "")],
    )  # fmt: skip
    assert [outcome for _raw, outcome, _code in logged.rows] == ["not_ours", "stop", "ask_again"]
    assert logged.logged == 0


def test_a_misread_serial_is_asked_for_again() -> None:
    kit = bench.kit_out()
    wrong = kit.serial[:-1] + ("A" if kit.serial[-1] != "A" else "B")
    answer = bench.scan(bench.a_session(), wrong)
    assert answer.outcome == "ask_again"
    assert "misread" in str(answer.sentence)


def test_an_over_age_sample_is_replaced_and_its_limit_day_is_not() -> None:
    session = bench.a_session()
    on_the_limit, over = bench.kit_out(sent_days_ago=30), bench.kit_out(sent_days_ago=30)
    assert bench.scan(session, on_the_limit.serial, bench.day_of(14)).outcome == "accepted_with_remark"
    answer = bench.scan(session, over.serial, bench.day_of(15))
    assert (answer.outcome, answer.code) == ("set_aside", "over_age")
    over.refresh_from_db()
    assert (over.round.state, over.round.due_on) == ("kit_due", clock.today())


def test_an_undated_sample_carries_the_widest_dates() -> None:
    kit = bench.kit_out(sent_days_ago=9)
    bench.scan(bench.a_session(), kit.serial, ".")
    back = Return.objects.get(kit=kit)
    assert back.collected_earliest == clock.today() - timedelta(days=9)
    assert back.collected_latest == clock.today()


def test_a_late_kit_while_a_newer_round_is_open_leaves_both_rounds_as_they_are() -> None:
    kit = bench.kit_of_a_late_round()
    newer = factories.a_round(kit.round.person, sent_days_ago=2)
    answer = bench.scan(bench.a_session(), kit.serial, bench.day_of(3))
    assert answer.outcome == "accepted_with_remark"
    kit.refresh_from_db()
    newer.refresh_from_db()
    assert (kit.round.state, newer.state, Return.objects.get(kit=kit).state) == ("closed", "kit_out", "ready")


def test_no_replacement_is_called_for_when_they_are_used_up() -> None:
    round_ = factories.a_round(sent_days_ago=30)
    kits = [bench.kit_of(round_)]
    kits.append(bench.second_kit(round_))
    third = factories.a_kit()
    with acting(cast.member(cast.ADMINISTRATOR)):
        Kit.objects.filter(pk=kits[1].pk).update(void_on=clock.today())
        Kit.objects.filter(pk=third.pk).update(dispatched_on=clock.today() - timedelta(days=4))
        make_move(third, "assign", round_id=round_.pk, ordinal=3)
        make_move(third, "dispatch")
    answer = bench.scan(bench.a_session(), third.serial, bench.day_of(2), "over_full")
    assert answer.code == "over_full"
    round_.refresh_from_db()
    assert (round_.state, round_.pool) == ("result_due", "phone_desk")


def test_two_kits_of_one_round_in_the_same_batch() -> None:
    round_ = factories.a_round(sent_days_ago=20)
    first = bench.kit_of(round_)
    second = bench.second_kit(round_)
    delivery = factories.a_delivery()
    day = bench.day_of(3)
    logged = returns_log_many(
        by=cast.member(cast.FRONT_DESK), delivery=delivery,
        rows=[(first.serial, day, ""), (second.serial, day, ""), (first.serial, day, "")],
    )  # fmt: skip
    assert [code for _serial, _outcome, code in logged.rows] == ["fit", "other_kit_in", "already_logged"]
    again = returns_log_many(
        by=cast.member(cast.FRONT_DESK), delivery=delivery, rows=[(first.serial, day, "")]
    )
    assert again.outcomes["already_logged"] == 1
    assert Return.objects.count() == 2
