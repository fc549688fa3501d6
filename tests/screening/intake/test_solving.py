"""Set-asides: what each answer would do, and what it then does."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from screening.models import IntakeSession, Kit, Lot, Person, Return
from screening.services.intake import return_solve
from screening.services.intake_solve import Answer, consequence
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from tests import cast, factories
from tests.screening.intake import bench


@pytest.fixture
def session(region: object) -> IntakeSession:
    """A session of the front desk."""
    return bench.a_session()


def aside(session: IntakeSession, kit: Kit, day: str = "", condition: str = "") -> Return:
    """A set-aside return of this kit."""
    assert bench.scan(session, kit.serial, day, condition).outcome in ("set_aside", "stop")
    IntakeSession.objects.filter(pk=session.pk).update(alarm_sequence=None)
    return Return.objects.exclude(state="undone").get(kit=kit, state="set_aside")


def solve(back: Return, answer: str, **more: str) -> Return:
    """The phone desk answers."""
    return return_solve(by=cast.member(cast.PHONE_DESK), return_=back, answer=answer, **more)


def test_the_day_the_person_told_takes_it_to_the_bench(session: IntakeSession) -> None:
    kit = bench.kit_out()
    back = aside(session, kit, bench.day_of(15))
    told = consequence(back=back, answer=Answer.DAY_TOLD, day=bench.day_of(9), today=clock.today())
    assert told.fit
    assert str(told.sentence) == "To the bench: 9 of 14 days used, counted from 8 June."
    back = solve(back, Answer.DAY_TOLD, day=bench.day_of(9), note="told on the phone")
    kit.refresh_from_db()
    assert (back.state, back.collected_earliest, back.collected_latest) == (
        "ready",
        told.earliest,
        told.latest,
    )
    assert back.name_checked
    assert back.moves.get(event="solve").note == "told on the phone"
    assert (kit.round.state, kit.round.pool) == ("result_due", "laboratory")
    assert kit.round.due_on == clock.today() + timedelta(days=7)


@pytest.mark.parametrize(
    ("day", "code"),
    [("", "day_empty"), ("x", "day_unreadable"), ("1/1", "collected_before_dispatch"), (".", "no_day")],
)
def test_a_day_that_cannot_be_is_answered_in_words(session: IntakeSession, day: str, code: str) -> None:
    back = aside(session, bench.kit_out(), bench.day_of(15))
    with pytest.raises(RoundbookError) as refused:
        solve(back, Answer.DAY_TOLD, day=day)
    assert refused.value.code == code
    assert Return.objects.get(pk=back.pk).state == "set_aside"


def test_a_told_day_past_the_limit_sends_a_new_kit(session: IntakeSession) -> None:
    kit = bench.kit_out(sent_days_ago=30)
    back = aside(session, kit, "", "no_name")
    told = consequence(back=back, answer=Answer.DAY_TOLD, day=bench.day_of(20), today=clock.today())
    assert (told.allowed, told.fit, told.replace) == (True, False, True)
    assert "20 of 14 days used" in str(told.sentence)
    solve(back, Answer.DAY_TOLD, day=bench.day_of(20))
    kit.refresh_from_db()
    assert (kit.round.state, kit.round.pool, kit.round.due_on) == ("kit_due", "office", clock.today())
    assert Return.objects.get(pk=back.pk).moves.get(event="reject").reason == "over_age"


def test_accepting_needs_a_day_and_undated_counts_the_worst_case(session: IntakeSession) -> None:
    back = aside(session, bench.kit_out(), "", "no_name")
    with pytest.raises(RoundbookError) as refused:
        solve(back, Answer.ACCEPT)
    assert refused.value.code == "day_missing"
    back = solve(back, Answer.UNDATED)
    assert (back.state, back.collected_earliest) == ("ready", clock.today() - timedelta(days=10))
    named = aside(session, bench.kit_out(), bench.day_of(4), "no_name")
    assert solve(named, Answer.ACCEPT).state == "ready"


def test_unsuitable_sends_a_new_kit_once(session: IntakeSession) -> None:
    kit = bench.kit_out()
    back = aside(session, kit, bench.day_of(3), "leaking")
    solve(back, Answer.UNSUITABLE)
    kit.refresh_from_db()
    assert kit.round.state == "kit_due"
    with pytest.raises(RoundbookError) as again:
        solve(back, Answer.UNSUITABLE)
    assert again.value.code == "already_solved"


def test_a_second_kit_found_unsuitable_leaves_the_round_with_the_first(session: IntakeSession) -> None:
    kit = bench.second_kit_while_the_first_waits()
    back = aside(session, kit, bench.day_of(2))
    assert not consequence(back=back, answer=Answer.UNSUITABLE, today=clock.today()).replace
    solve(back, Answer.UNSUITABLE)
    kit.refresh_from_db()
    assert (kit.round.state, kit.round.pool) == ("result_due", "laboratory")


def test_a_kit_of_the_dead_is_never_tested_and_the_round_closes(session: IntakeSession) -> None:
    kit = bench.kit_of_the_dead()
    back = aside(session, kit)
    with pytest.raises(RoundbookError) as refused:
        solve(back, Answer.DAY_TOLD, day=bench.day_of(3))
    assert refused.value.code == "never_tested"
    solve(back, Answer.UNSUITABLE)
    kit.refresh_from_db()
    assert (kit.round.state, kit.round.close_reason) == ("closed", "died")


def test_a_quarantined_lot_waits_until_it_is_lifted(session: IntakeSession) -> None:
    kit = bench.kit_of_a_quarantined_lot()
    back = aside(session, kit)
    with pytest.raises(RoundbookError) as refused:
        solve(back, Answer.DAY_TOLD, day=bench.day_of(3))
    assert refused.value.code == "lot_quarantined"
    with acting(cast.member(cast.ADMINISTRATOR)):
        Lot.objects.filter(pk=kit.lot_id).update(quarantined=False)
    assert solve(back, Answer.DAY_TOLD, day=bench.day_of(3)).state == "ready"


def two_of_a_household() -> tuple[Kit, Kit]:
    """The kits of two people at one address."""
    person = factories.a_person()
    other = factories.a_person(address_1=person.address_1)
    return bench.kit_of(factories.a_round(person)), bench.kit_of(factories.a_round(other))


def test_a_swap_holds_both_kits(session: IntakeSession) -> None:
    kit, other = two_of_a_household()
    back = aside(session, kit, "", "other_name")
    assert back.moves.get(event="set_aside").reason == "swap_suspected"
    solve(back, Answer.SWAPPED, other_serial=other.serial)
    kit.refresh_from_db()
    assert kit.round.state == "kit_due"
    stopped = bench.scan(session, other.serial, bench.day_of(3))
    assert (stopped.outcome, stopped.code) == ("stop", "identity_in_doubt")


def test_a_swap_rejects_the_other_kit_that_is_already_on_the_bench(session: IntakeSession) -> None:
    kit, other = two_of_a_household()
    bench.scan(session, other.serial, bench.day_of(3))
    back = aside(session, kit, "", "other_name")
    solve(back, Answer.SWAPPED, other_serial=other.serial)
    for one in (kit, other):
        one.refresh_from_db()
        assert (one.returns.get().state, one.round.state) == ("unsuitable", "kit_due")
    with pytest.raises(RoundbookError) as unknown:
        solve(aside(session, bench.kit_out(), "", "other_name"), Answer.SWAPPED, other_serial="TK1")
    assert unknown.value.code == "other_kit_unknown"


@pytest.mark.parametrize("day", ["", "3"], ids=["still out", "accepted"])
def test_a_swap_leaves_the_kit_of_another_household_alone(session: IntakeSession, day: str) -> None:
    kit, stranger = bench.kit_out(), bench.kit_out()
    if day:
        bench.scan(session, stranger.serial, bench.day_of(int(day)))
    back, before = aside(session, kit, "", "other_name"), bench.state_after(stranger)
    with pytest.raises(RoundbookError) as refused:
        solve(back, Answer.SWAPPED, other_serial=stranger.serial)
    assert refused.value.code == "other_kit_not_of_household"
    assert kit.serial in str(refused.value.sentence)
    assert stranger.serial in str(refused.value.sentence)
    assert Return.objects.get(pk=back.pk).state == "set_aside"
    assert bench.state_after(stranger) == before


def test_without_a_postcode_nobody_is_of_one_household(session: IntakeSession) -> None:
    kit, other = two_of_a_household()
    with acting(cast.member(cast.PHONE_DESK)):
        Person.objects.update(postcode="")
    with pytest.raises(RoundbookError) as refused:
        solve(aside(session, kit, "", "other_name"), Answer.SWAPPED, other_serial=other.serial)
    assert refused.value.code == "other_kit_not_of_household"


def test_a_kit_of_the_same_person_is_not_the_other_of_a_swap(session: IntakeSession) -> None:
    kit = bench.second_kit()
    first = kit.round.kits.get(ordinal=1)
    with pytest.raises(RoundbookError) as refused:
        solve(aside(session, kit, "", "other_name"), Answer.SWAPPED, other_serial=first.serial)
    assert refused.value.code == "other_kit_not_of_household"
    first.refresh_from_db()
    assert first.void_reason == "replaced"


@pytest.mark.parametrize("comes", [False, True])
def test_a_saved_swap_names_both_kits(
    session: IntakeSession, signed_in: Callable[[str], Client], comes: bool
) -> None:
    kit, other = two_of_a_household()
    if comes:
        bench.scan(session, other.serial, bench.day_of(3))
    back = aside(session, kit, "", "other_name")
    given = {"answer": "swapped", "other_serial": other.serial}
    page = signed_in(cast.PHONE_DESK).post(
        reverse("screening:set-aside", args=[back.pk]), given, follow=True
    ).content.decode()  # fmt: skip
    said = (
        f"Saved: {kit.serial} and {other.serial} are unsuitable. Neither is tested."
        if comes
        else f"Saved: {kit.serial} is unsuitable. {other.serial} is not back; it is stopped when it comes."
    )
    assert said in page


def test_calling_later_moves_the_date_only(session: IntakeSession) -> None:
    back = solve(aside(session, bench.kit_out(), "", "no_name"), Answer.CALL_LATER, note="no answer")
    assert (back.state, back.due_on) == ("set_aside", clock.today() + timedelta(days=1))
    assert back.moves.get(event="reschedule").note == "no answer"


def test_an_answer_that_is_not_on_the_page(session: IntakeSession) -> None:
    with pytest.raises(RoundbookError) as refused:
        solve(aside(session, bench.kit_out(), "", "no_name"), "burn")
    assert refused.value.code == "unknown_answer"
