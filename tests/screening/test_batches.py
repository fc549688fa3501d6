"""Invitation batches: who is taken, with which kits, what is sent, and what is left out and why."""

import threading
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import connection, connections

from oversight.rehearsal.setting import region_lay_down
from screening.models import Area, Batch, Exclusion, Kit, Lot, Person, Round, RoundMove, Stop
from screening.services.batches import (
    batch_counts,
    batch_dispatch,
    batch_find,
    batch_open,
    kit_reported_lost,
    kit_undelivered,
    kits_stock,
    replacements_send,
    stock_by_lot,
)
from screening.services.rounds import rounds_close
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove, NotFound, RoundbookError
from staff.ledger.moves import make_move
from staff.ledger.proof import projection_differences
from staff.ledger.registry import walls
from staff.models import User
from tests import cast, factories
from tests.conftest import FIRST_DAY

TODAY = date(2026, 6, 17)


@pytest.fixture
def by(region: object) -> User:
    return cast.member(cast.MANAGER)


def stocked(by: User, count: int = 20, *, lot: str = "KL002", first: int = 1) -> None:
    assert kits_stock(by=by, lot=Lot.objects.get(code=lot), first_number=first, count=count) == count


def people(count: int, **facts: object) -> list[Person]:
    """People due, the first one longest overdue."""
    return [
        factories.a_person(**({"next_due_on": TODAY - timedelta(days=count - n), "area": Area.objects.get(code="QUI")} | facts))
        for n in range(count)
    ]  # fmt: skip


def books_agree() -> bool:
    """Whether every round and kit is what its ledger says."""
    return all(projection_differences(walls.ledgers[name])[1] == 0 for name in ("round", "kit"))


def test_a_batch_takes_the_longest_overdue_and_pairs_each_with_a_kit(by: User) -> None:
    stocked(by)
    found = people(5)
    batch = batch_open(by=by, size=3)
    assert (batch.number, batch.size, batch.asked_for) == ("260617-1", 3, 3)
    rounds = list(batch.rounds.order_by("id"))
    assert [r.person_id for r in rounds] == [p.pk for p in found[:3]]
    first = rounds[0]
    assert (first.state, first.due_on, first.pool, first.nth) == ("kit_due", TODAY, "office", 1)
    assert (first.sex_at_invitation, first.age_at_invitation, first.invited_on) == ("female", 62, TODAY)
    assert first.area is not None
    kit = first.kits.get()
    assert (kit.state, kit.ordinal, kit.serial) == ("assigned", 1, kits_in_order()[0])
    assert (
        list(Person.objects.filter(next_due_on__isnull=True).values_list("not_due_code", flat=True))
        == ["in_a_round"] * 3
    )
    assert books_agree()


def kits_in_order() -> list[str]:
    return list(Kit.objects.order_by("pk").values_list("serial", flat=True))


def test_a_batch_may_be_of_one_area_and_smaller_than_asked(by: User) -> None:
    stocked(by)
    people(2)
    (there,) = people(1, area=Area.objects.get(code="NOR"))
    batch = batch_open(by=by, size=10, area=there.area)
    assert (batch.size, batch.asked_for, batch.rounds.get().person_id) == (1, 10, there.pk)
    assert batch_open(by=by, size=10).number == "260617-2"


NOT_TAKEN: dict[str, Callable[[Person], object]] = {
    "died": lambda p: Person.objects.filter(pk=p.pk).update(deceased_on=TODAY, next_due_on=None),
    "left": lambda p: Person.objects.filter(pk=p.pk).update(left_area_on=TODAY),
    "no address": lambda p: Person.objects.filter(pk=p.pk).update(address_1=""),
    "too old": lambda p: Person.objects.filter(pk=p.pk).update(birth_date=date(1951, 3, 18)),
    "opted out": lambda p: Stop.objects.create(person=p, scope="invitations", since=TODAY, source="phone"),
    "postponed": lambda p: Exclusion.objects.create(
        person=p, kind="postponed", since=TODAY, until=date(2026, 9, 1)
    ),
    "excluded": lambda p: Exclusion.objects.create(person=p, kind="colectomy", since=TODAY, confirmed=True),
    "in a round": lambda p: factories.a_round(p) and Person.objects.filter(pk=p.pk).update(next_due_on=TODAY),
    "not yet due": lambda p: Person.objects.filter(pk=p.pk).update(next_due_on=TODAY + timedelta(days=1)),
}


# Source: the programme's protocol, eligibility asked again when the batch is opened (job description 2.2 and 2.3).
@pytest.mark.parametrize("why", NOT_TAKEN)
def test_a_person_is_not_taken_who_is(by: User, why: str) -> None:
    stocked(by)
    (person,) = people(1)
    with acting(by):
        NOT_TAKEN[why](person)
    with pytest.raises(RoundbookError) as refused:
        batch_open(by=by, size=5)
    assert refused.value.code == "nobody_due"
    assert not Batch.objects.exclude(number__startswith="B").exists()


# Source: common practice, the upper age is honoured up to 90 days after the band's last day.
def test_a_person_just_over_the_upper_age_is_still_taken(by: User) -> None:
    stocked(by)
    people(1, birth_date=date(1951, 3, 20))
    assert batch_open(by=by, size=1).rounds.get().age_at_invitation == 75


def test_too_few_kits_is_refused_with_the_number_missing_and_nothing_is_done(by: User) -> None:
    stocked(by, 2)
    people(5)
    with pytest.raises(RoundbookError) as refused:
        batch_open(by=by, size=4)
    assert (refused.value.code, refused.value.data["missing"]) == ("kits_too_few", 2)
    assert "2 kits are missing: 4 are needed and 2 can be used" in refused.value.sentence
    assert not Round.objects.exists()
    assert not Batch.objects.exists()
    assert Person.objects.filter(next_due_on__isnull=False).count() == 5


# Source: job description 2.3: kits need 120 days of life; the first to expire is sent first.
def test_kits_are_taken_by_expiry_and_never_from_a_lot_that_may_not_be_used(by: User) -> None:
    model = Lot.objects.all()[0].kit_model
    for code, days, quarantined in (("SHORT", 119, False), ("BARE", 120, False), ("QUAR", 300, True)):
        Lot.objects.create(
            code=code,
            kit_model=model,
            expires_on=TODAY + timedelta(days=days),
            quarantined=quarantined,
            received_on=TODAY,
        )
    for n, code in enumerate(("KL002", "SHORT", "QUAR", "BARE")):
        stocked(by, 2, lot=code, first=100 * n + 1)
    people(3)
    batch = batch_open(by=by, size=3)
    assert list(batch.rounds.order_by("pk").values_list("kits__lot__code", flat=True)) == [
        "BARE",
        "BARE",
        "KL002",
    ]
    stock = {s.code: (s.in_stock, s.usable) for s in stock_by_lot(on=TODAY)}
    assert stock == {
        "KL001": (0, True),
        "KL002": (1, True),
        "SHORT": (2, False),
        "QUAR": (2, False),
        "BARE": (0, True),
    }


@pytest.mark.parametrize("size", [0, -1, 100_001])
def test_a_batch_of_an_impossible_size_is_refused(by: User, size: int) -> None:
    with pytest.raises(RoundbookError) as refused:
        batch_open(by=by, size=size)
    assert refused.value.code == "size_wrong"


def test_serials_come_into_the_book_once(by: User) -> None:
    stocked(by, 5)
    with pytest.raises(RoundbookError) as known:
        kits_stock(by=by, lot=Lot.objects.get(code="KL001"), first_number=4, count=5)
    assert known.value.code == "serials_known"
    with pytest.raises(RoundbookError) as far:
        kits_stock(by=by, lot=Lot.objects.get(code="KL001"), first_number=10**9 - 1, count=5)
    assert far.value.code == "serials_out_of_range"
    assert Kit.objects.count() == 5
    assert books_agree()


def test_a_batch_is_handed_to_the_post_once(by: User) -> None:
    stocked(by)
    people(3)
    batch = batch_open(by=by, size=3)
    with clock.at(clock.moment(TODAY + timedelta(days=1), 9)):
        assert batch_dispatch(by=by, batch=batch) == 3
        assert batch_dispatch(by=by, batch=batch) == 0
    batch.refresh_from_db()
    assert (batch.dispatched_on, batch.dispatched_by) == (TODAY + timedelta(days=1), by)
    round_ = batch.rounds.order_by("pk")[0]
    assert (round_.state, round_.dispatched_on, round_.due_on) == (
        "kit_out", TODAY + timedelta(days=1), TODAY + timedelta(days=91),
    )  # fmt: skip
    assert set(Kit.objects.filter(round__batch=batch).values_list("state", "dispatched_on")) == {
        ("dispatched", TODAY + timedelta(days=1))
    }
    assert batch_counts([batch])[batch.pk].sent == 3
    assert books_agree()


# Source: job description 2.3, exception 1: death or opt-out between opening and hand-over removes and logs.
@pytest.mark.parametrize(
    ("why", "reason"),
    [
        ("died", "died"),
        ("opted out", "declined"),
        ("left", "moved_away"),
        ("postponed", "postponed"),
        ("excluded", "excluded"),
    ],
)
def test_a_person_is_left_out_who_since(by: User, why: str, reason: str) -> None:
    stocked(by)
    person, other = people(2)
    batch = batch_open(by=by, size=2)
    with acting(by):
        NOT_TAKEN[why](person)
    assert batch_dispatch(by=by, batch=batch) == 1
    round_ = batch.rounds.get(person=person)
    assert (round_.state, round_.close_reason, round_.dispatched_on) == ("closed", reason, None)
    kit = round_.kits.get()
    assert (kit.state, kit.void_on, kit.void_reason) == ("assigned", TODAY, reason)
    assert batch.rounds.get(person=other).state == "kit_out"
    counts = batch_counts([batch])[batch.pk]
    assert (counts.people, counts.sent, counts.left_out, counts.waiting) == (2, 1, 1, 0)
    assert books_agree()


def test_kits_of_a_lot_quarantined_since_stay_here_and_their_people_get_another(by: User) -> None:
    stocked(by, 1, lot="KL001", first=500)
    stocked(by, 5)
    people(2)
    batch = batch_open(by=by, size=2)
    with acting(by):
        Lot.objects.filter(code="KL001").update(quarantined=True)
    assert batch_dispatch(by=by, batch=batch) == 1
    assert batch_counts([batch])[batch.pk].waiting == 1
    assert replacements_send(by=by) == 1
    assert set(batch.rounds.values_list("state", "dispatched_on")) == {("kit_out", TODAY)}
    assert books_agree()


def waiting_for_another(by: User) -> Round:
    """A round whose kit came back and could not be measured."""
    round_ = factories.a_ready_return(factories.a_round(sent_days_ago=10)).kit.round
    assert round_ is not None
    with acting(by):
        make_move(round_, "unsuitable", due_on=TODAY, pool="office")
    return round_


# Source: ruling R12: closing is the later of day 90 and 60 days after the last replacement.
@pytest.mark.parametrize(("sent_days_ago", "due_in"), [(10, 80), (30, 60), (45, 60)])
def test_a_replacement_moves_the_closing_day(by: User, sent_days_ago: int, due_in: int) -> None:
    stocked(by)
    round_ = factories.a_round(sent_days_ago=sent_days_ago)
    kit_reported_lost(by=by, kit=round_.kits.get())
    assert replacements_send(by=by) == 1
    round_.refresh_from_db()
    assert (round_.state, round_.due_on) == ("kit_out", TODAY + timedelta(days=due_in))
    assert round_.dispatched_on == TODAY - timedelta(days=sent_days_ago)
    assert list(round_.kits.order_by("ordinal").values_list("state", "ordinal")) == [
        ("reported_lost", 1),
        ("dispatched", 2),
    ]
    assert replacements_send(by=by) == 0
    assert books_agree()


# Source: the programme's default: at most two replacements a round.
def test_beyond_the_last_replacement_the_phone_desk_decides(by: User) -> None:
    stocked(by)
    round_ = waiting_for_another(by)
    for _ in range(2):
        assert replacements_send(by=by) == 1
        kit_reported_lost(by=by, kit=round_.kits.order_by("-ordinal")[0])
    assert replacements_send(by=by) == 0
    round_.refresh_from_db()
    assert (round_.state, round_.pool, round_.due_on) == ("kit_due", "phone_desk", TODAY + timedelta(days=7))
    moves = RoundMove.objects.filter(subject=round_).count()
    assert replacements_send(by=by) == 0
    assert RoundMove.objects.filter(subject=round_).count() == moves, "running again moves nothing"


def test_an_undelivered_kit_waits_for_an_address_until_somebody_names_its_round(by: User) -> None:
    stocked(by)
    round_ = factories.a_round()
    kit_undelivered(by=by, kit=round_.kits.get())
    round_.refresh_from_db()
    assert (round_.state, round_.pool) == ("kit_due", "phone_desk")
    assert replacements_send(by=by) == 0
    assert replacements_send(by=by, round_ids=[round_.pk]) == 1


def test_no_replacement_goes_to_a_person_who_died(by: User) -> None:
    stocked(by)
    round_ = waiting_for_another(by)
    Person.objects.filter(pk=round_.person_id).update(deceased_on=TODAY, next_due_on=None)
    assert replacements_send(by=by) == 0
    round_.refresh_from_db()
    assert round_.close_reason == "died"


def test_a_new_batch_that_was_not_sent_gets_no_replacements(by: User) -> None:
    stocked(by)
    people(2)
    batch_open(by=by, size=2)
    assert replacements_send(by=by) == 0


def test_a_kit_that_came_back_cannot_be_reported_lost(by: User) -> None:
    back = factories.a_ready_return()
    with pytest.raises(IllegalMove):
        kit_reported_lost(by=by, kit=back.kit)
    stocked(by, 1)
    with pytest.raises(IllegalMove) as never:
        kit_undelivered(by=by, kit=Kit.objects.get(state="in_stock"))
    assert never.value.code == "kit_not_sent"


def test_a_lost_kit_of_a_closed_round_opens_nothing(by: User) -> None:
    round_ = factories.a_round(sent_days_ago=100)
    rounds_close(by=by, round_ids=[round_.pk], reason="not_returned")
    kit_reported_lost(by=by, kit=round_.kits.get())
    round_.refresh_from_db()
    assert round_.state == "closed"


def test_a_batch_is_found_by_its_number(by: User) -> None:
    stocked(by, 1)
    people(1)
    batch = batch_open(by=by, size=1)
    assert batch_find(" 260617-1 ") == batch
    with pytest.raises(NotFound):
        batch_find("nothing")


def test_two_batches_opened_at_once_share_nobody_and_no_kit(fresh_db: str, django_db_blocker: object) -> None:
    region_lay_down(first_day=FIRST_DAY, password="x")
    by = cast.member(cast.MANAGER)
    stocked(by, 60)
    people(40)
    trouble: list[Exception] = []
    gate = threading.Barrier(4)

    def opens() -> None:
        try:
            with clock.at(clock.moment(TODAY, 12)):
                gate.wait()
                batch_open(by=by, size=15)
        except RoundbookError as error:
            trouble.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=opens) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    taken = list(Round.objects.values_list("person_id", flat=True))
    assert len(taken) == len(set(taken)) == sum(Batch.objects.values_list("size", flat=True))
    assert len(taken) <= 40
    assert Kit.objects.filter(state="assigned").count() == len(taken)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM screening_kit WHERE state = 'assigned' GROUP BY round_id HAVING count(*) > 1"
        )
        assert cursor.fetchall() == []
