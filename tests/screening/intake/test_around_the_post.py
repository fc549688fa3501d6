"""Calls about set-asides, the household, notes, what the rules cost, kits by hand and post that came back."""

from collections.abc import Callable
from datetime import date, time, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from outreach.models import Letter
from outreach.services.planning import letters_plan
from screening.models import IntakeSession, Kit, Lot, Return
from screening.services.batches import kit_reported_lost, kits_stock, replacements_send
from screening.services.intake_calls import attempts_of, call_record, day_suggested, housemates
from screening.services.intake_lists import note_read, notes_unread, rule_costs
from screening.services.intake_solve import return_solve
from screening.services.kits_by_hand import kit_hand_over, undelivered_scan
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from tests import cast, factories
from tests.looks import on_the_list
from tests.screening.intake import bench


@pytest.fixture
def session(region: object) -> IntakeSession:
    """A session of the front desk."""
    return bench.a_session()


@pytest.fixture
def phone_desk(signed_in: Callable[[str], Client]) -> Client:
    """The phone desk, signed in."""
    return signed_in(cast.PHONE_DESK)


def aside(session: IntakeSession, day: str = "", condition: str = "", kit: Kit | None = None) -> Return:
    """A kit set aside at the bench."""
    kit = kit or bench.kit_out()
    bench.scan(session, kit.serial, day, condition)
    return Return.objects.get(kit=kit)


def refused(code: str, deed: Callable[[], object]) -> None:
    """The deed is refused with this code."""
    with pytest.raises(RoundbookError) as error:
        deed()
    assert error.value.code == code


def test_each_call_is_kept_with_what_became_of_it(session: IntakeSession) -> None:
    back, junia = aside(session, condition="no_name"), cast.member(cast.PHONE_DESK)
    call_record(by=junia, return_=back, call="no_answer")
    assert Return.objects.get(pk=back.pk).due_on == date(2026, 6, 18)
    agreed = clock.today() + timedelta(days=5)
    later = call_record(
        by=junia, return_=back, call="call_back", on=agreed, at=time(14, 30), note="after work"
    )
    assert (later.due_on, later.due_time, later.state) == (agreed, time(14, 30), "set_aside")
    assert [(one.who, str(one.words), one.note) for one in attempts_of(back)] == [
        (junia.full_name, "Nobody answered", ""),
        (junia.full_name, "Reached, ring again as agreed", "after work"),
    ]
    refused("call_back_when", lambda: call_record(by=junia, return_=back, call="call_back"))
    refused("unknown_call", lambda: call_record(by=junia, return_=back, call="shouted"))
    return_solve(by=junia, return_=back, answer="day_told", day=bench.day_of(3))
    refused("already_solved", lambda: call_record(by=junia, return_=back, call="no_answer"))


def test_no_call_is_agreed_for_a_day_after_the_sample_has_ended(
    session: IntakeSession, phone_desk: Client
) -> None:
    back, junia = aside(session, bench.day_of(4), "no_name"), cast.member(cast.PHONE_DESK)
    last = date(2026, 6, 27)
    assert (back.collected_latest, back.kit.lot.kit_model.sample_age_limit_days) == (date(2026, 6, 13), 14)
    for late in (last + timedelta(days=1), date(2027, 5, 30)):
        given = {"call": "call_back", "on": late.isoformat()}
        answer = phone_desk.post(reverse("screening:set-aside", args=[back.pk]), given)
        assert answer.status_code == 422
        assert "too old to be measured. Ring again on 27 June at the latest." in answer.content.decode()
    assert not attempts_of(back)
    assert call_record(by=junia, return_=back, call="call_back", on=last).due_on == last


def test_a_call_about_a_sample_that_has_ended_may_be_agreed_for_the_next_working_day(
    session: IntakeSession,
) -> None:
    back, junia = aside(session, bench.day_of(4), "no_name"), cast.member(cast.PHONE_DESK)
    with clock.at(clock.now() + timedelta(days=28)):
        agreed = clock.today() + timedelta(days=1)
        assert agreed.isoweekday() == 4
        call_record(by=junia, return_=back, call="call_back", on=agreed)
        later = agreed + timedelta(days=1)
        refused("call_back_too_late", lambda: call_record(by=junia, return_=back, call="call_back", on=later))


def test_a_slip_on_the_label_is_offered_and_never_taken_by_itself(
    session: IntakeSession, phone_desk: Client
) -> None:
    back = aside(session, day="14/6/2025")
    assert back.state == "set_aside"
    assert day_suggested(back) == date(2026, 6, 14)
    page = phone_desk.get(reverse("screening:set-aside", args=[back.pk])).content.decode()
    assert "It was 14 Jun 2026: a slip on the label" in page
    assert "3 of 14 days used" in page
    phone_desk.post(
        reverse("screening:set-aside", args=[back.pk]), {"answer": "day_told", "day": "2026-06-14"}
    )
    assert Return.objects.get(pk=back.pk).collected_latest == date(2026, 6, 14)


def test_the_household_is_shown_with_its_kits_and_a_swap_is_one_tap(
    session: IntakeSession, phone_desk: Client
) -> None:
    person = factories.a_person()
    mine = bench.kit_of(factories.a_round(person))
    partner = factories.a_person(address_1=person.address_1, given_names="Oskar")
    theirs = bench.kit_of(factories.a_round(partner))
    back = aside(session, condition="other_name", kit=mine)
    assert [(one.person, one.serial) for one in housemates(person)] == [(partner, theirs.serial)]
    address = reverse("screening:set-aside", args=[back.pk])
    page = phone_desk.get(address).content.decode()
    assert theirs.serial in page
    assert "slot A1" in page
    assert "Say no more: not the test" in page
    phone_desk.post(address, {"answer": "swapped", "other_serial": theirs.serial})
    back.refresh_from_db()
    theirs.refresh_from_db()
    assert (back.state, theirs.void_reason, mine.round.kits.count()) == ("unsuitable", "swap suspected", 1)
    letters_plan(by=cast.member(cast.PHONE_DESK))
    assert Letter.objects.filter(kind="replacement", person=person, state="owed").count() == 1


def test_calls_through_the_page(session: IntakeSession, phone_desk: Client) -> None:
    back = aside(session, condition="no_name")
    address = reverse("screening:set-aside", args=[back.pk])
    assert phone_desk.post(address, {"call": "call_back", "on": "soon"}).status_code == 422
    phone_desk.post(address, {"call": "call_back", "on": "2026-06-19", "at": "09:15"})
    listed = phone_desk.get(reverse("screening:set-asides")).content.decode()
    assert "09:15" in listed
    assert "Reached, ring again as agreed" in phone_desk.get(address).content.decode()


def test_notes_are_read_once(session: IntakeSession, phone_desk: Client) -> None:
    back = aside(session, bench.day_of(2), "note_enclosed")
    undone = aside(session, bench.day_of(2), "note_enclosed")
    assert list(notes_unread()) == [back, undone]
    page = phone_desk.get(reverse("screening:notes")).content.decode()
    assert back.kit.serial in page
    phone_desk.post(reverse("screening:note-done", args=[back.pk]))
    assert Return.objects.get(pk=back.pk).note_read_by == cast.member(cast.PHONE_DESK)
    assert list(notes_unread()) == [undone]
    refused("note_gone", lambda: note_read(by=cast.member(cast.NURSE), return_id=back.pk))


def test_what_a_rule_cost_is_counted_by_what_became_of_its_kits(
    session: IntakeSession, phone_desk: Client
) -> None:
    junia = cast.member(cast.PHONE_DESK)
    for answer, day in (("day_told", bench.day_of(3)), ("unsuitable", ""), ("", "")):
        back = aside(session, condition="no_name")
        if answer:
            return_solve(by=junia, return_=back, answer=answer, day=day)
    aside(session, condition="over_full")
    with clock.at(clock.now() - timedelta(days=400)):
        aside(bench.a_session(), condition="no_name", kit=bench.kit_out(sent_days_ago=5))
    found = {
        cost.reason: (cost.kits, cost.rescued, cost.unsuitable, cost.waiting)
        for cost in rule_costs(clock.today())
    }
    assert found == {"no_name": (3, 1, 1, 1), "over_full": (1, 0, 1, 0)}
    assert "Kits stopped" in phone_desk.get(reverse("screening:rule-costs")).content.decode()


def test_a_kit_handed_over_takes_the_place_of_the_one_on_its_way(session: IntakeSession) -> None:
    round_, junia = factories.a_round(sent_days_ago=40), cast.member(cast.PHONE_DESK)
    before, given = bench.kit_of(round_), factories.a_kit()
    kit = kit_hand_over(by=junia, round_=round_, raw=given.serial)
    before.refresh_from_db()
    round_.refresh_from_db()
    kit.refresh_from_db()
    assert (before.state, before.void_reason) == ("reported_lost", "reported_lost")
    assert (kit.state, kit.ordinal, kit.dispatched_on, round_.state) == (
        "dispatched", 2, clock.today(), "kit_out",
    )  # fmt: skip
    assert round_.due_on == clock.today() + timedelta(days=60)
    assert bench.scan(session, kit.serial, "17").outcome == "accepted_with_remark"


def test_a_kit_that_may_not_be_handed_over(session: IntakeSession) -> None:
    round_, junia = factories.a_round(), cast.member(cast.PHONE_DESK)

    def give(raw: str) -> Callable[[], object]:
        return lambda: kit_hand_over(by=junia, round_=round_, raw=raw)

    refused("serial_length", give("TK1"))
    refused("kit_unknown", give(bench.unknown()))
    refused("kit_not_in_stock", give(bench.kit_out().serial))
    spare = factories.a_kit()
    with acting(cast.member(cast.ADMINISTRATOR)):
        Lot.objects.filter(pk=spare.lot_id).update(expires_on=clock.today() + timedelta(days=30))
    refused("lot_too_short", give(spare.serial))
    with acting(cast.member(cast.ADMINISTRATOR)):
        Lot.objects.filter(pk=spare.lot_id).update(quarantined=True)
    refused("lot_quarantined", give(spare.serial))
    bench.scan(session, bench.kit_of(round_).serial)
    assert Kit.objects.get(pk=spare.pk).state == "in_stock"


def test_a_kit_is_handed_over_from_the_persons_page(phone_desk: Client) -> None:
    round_, given = factories.a_round(state="kit_due"), factories.a_kit()
    on_the_list(cast.PHONE_DESK, round_.person_id)
    page = phone_desk.get(reverse("screening:person", args=[round_.person_id])).content.decode()
    assert "Hand a kit over here" in page
    answer = phone_desk.post(
        reverse("screening:hand-over", args=[round_.pk]), {"raw": given.serial}, follow=True
    ).content.decode()
    assert "is handed over. It is waited for from today" in answer
    assert list(round_.kits.order_by("ordinal").values_list("state", "void_reason")) == [
        ("assigned", "another handed over"), ("dispatched", ""),
    ]  # fmt: skip
    wrong = phone_desk.post(reverse("screening:hand-over", args=[round_.pk]), {"raw": ""}, follow=True)
    assert "Scan the kit you hand over." in wrong.content.decode()


def test_post_that_came_back_by_scan(session: IntakeSession, phone_desk: Client) -> None:
    kit, junia = bench.kit_out(), cast.member(cast.PHONE_DESK)
    for _ in range(2):
        answer = phone_desk.post(reverse("screening:post-undelivered"), {"raw": kit.serial}, follow=True)
        assert "looks for a newer address" in answer.content.decode()
    kit.refresh_from_db()
    assert (kit.state, kit.round.state, kit.round.pool, kit.moves.filter(event="undelivered").count()) == (
        "undelivered", "kit_due", "phone_desk", 1,
    )  # fmt: skip
    assert replacements_send(by=junia) == 0
    back = bench.kit_out()
    bench.scan(session, back.serial, bench.day_of(2))
    refused("kit_not_out", lambda: undelivered_scan(by=junia, raw=back.serial))
    assert phone_desk.post(reverse("screening:post-undelivered"), {"raw": "x"}).status_code == 422


def closed_after_sending() -> Kit:
    """A kit whose round closed while it was out."""
    return bench.kit_of_a_late_round()


def answered_by_another() -> Kit:
    """The first kit of a round whose second one came back."""
    second = bench.second_kit()
    bench.scan(bench.a_session(), second.serial, bench.day_of(2))
    return Kit.objects.get(round=second.round, ordinal=1)


def reported_from_another() -> Kit:
    """The second kit of a round that has its result."""
    return bench.second_kit_after_a_result()


def already_replaced() -> Kit:
    """The first kit of a round whose second one was unsuitable, so that the office sends a third."""
    second = bench.second_kit()
    first = Kit.objects.get(round=second.round, ordinal=1)
    with acting(cast.member(cast.PHONE_DESK)):
        make_move(second, "lost")
        make_move(second.round, "kit_gone", due_on=clock.today(), pool="office", reason="reported_lost")
    return first


@pytest.mark.parametrize(
    ("situation", "words"),
    [
        (closed_after_sending, "Its round is closed, so no other kit is sent and nobody looks for a newer address."),
        (reported_from_another, "Its round is closed, so no other kit is sent and nobody looks for a newer address."),
        (answered_by_another, "Another kit of its round came back, so nobody looks for a newer address."),
        (already_replaced, "Its round already waits for another kit, which the office sends."),
    ],
)  # fmt: skip
def test_post_that_came_back_for_a_round_that_needs_no_address_says_so(
    phone_desk: Client, situation: bench.Situation, words: str
) -> None:
    kit = situation()
    before = bench.state_after(kit)["round"]
    for _ in range(2):
        answer = phone_desk.post(reverse("screening:post-undelivered"), {"raw": kit.serial}, follow=True)
        page = answer.content.decode()
        assert f"Kit {kit.serial} is undelivered. {words} If the envelope bears a newer address" in page
        assert page.count("The phone desk looks for a newer address") == 0
    assert bench.state_after(kit)["round"] == before


@pytest.mark.parametrize("sent", [False, True])
def test_a_lost_kit_that_comes_back_empty_leaves_the_other_on_its_way(
    session: IntakeSession, sent: bool
) -> None:
    kit, junia = bench.kit_out(), cast.member(cast.PHONE_DESK)
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=kit.lot, first_number=90_001, count=4)
    kit_reported_lost(by=junia, kit=kit)
    if sent:
        replacements_send(by=junia)
    assert bench.scan(session, kit.serial, condition="empty").outcome == "set_aside"
    replacements_send(by=junia)
    kit.refresh_from_db()
    assert (kit.state, kit.round.state) == ("returned", "kit_out")
    assert list(kit.round.kits.values_list("state", flat=True).order_by("ordinal")) == [
        "returned",
        "dispatched",
    ]
