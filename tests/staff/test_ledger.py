"""The ledger's walls: what the database refuses, and what it projects."""

from datetime import date

import pytest
from django.db import DatabaseError, connection, transaction

from screening.models import Kit, Lot, Round, RoundMove
from screening.serials import serial_make
from staff.acting import acting
from staff.errors import IllegalMove
from staff.ledger.moves import make_move, make_moves
from staff.ledger.proof import projection_differences
from staff.ledger.registry import ledger_of, walls
from staff.ledger.walls import machine_rows
from staff.models import LedgerState, LedgerTransition
from tests import cast, factories

pytestmark = pytest.mark.usefixtures("region")


def test_a_move_projects_state_date_and_owner() -> None:
    round_ = factories.a_round(state="kit_out")
    assert (round_.state, round_.pool, round_.last_seq) == ("kit_out", "office", 2)
    assert round_.due_on is not None
    assert [m.event for m in round_.moves.order_by("seq")] == ["open", "kit_sent"]
    assert round_.moves.get(seq=1).actor == cast.member(cast.ADMINISTRATOR)


def test_a_move_that_is_not_in_the_table_is_refused_by_code_and_database() -> None:
    round_ = factories.a_round(state="kit_due")
    who = cast.member(cast.ADMINISTRATOR)
    with pytest.raises(IllegalMove) as refused, acting(who):
        make_move(round_, "below", reason="below")
    assert refused.value.code == "illegal_move"
    with pytest.raises(DatabaseError, match="not in the table of moves"), acting(who):
        RoundMove(
            subject=round_, seq=2, event="below", from_state="kit_due", to_state="closed", reason="below"
        ).save()


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"seq": 3}, "but it is in"),
        ({"from_state": "kit_out", "event": "kit_back", "to_state": "result_due"}, "but it is in"),
        ({"due_on": None}, "without an owner and a next date"),
        ({"pool": ""}, "without an owner and a next date"),
        ({"event": "close", "to_state": "closed"}, "without a reason"),
        ({"actor_id": 1}, "another than this transaction"),
    ],
)
def test_the_database_refuses_a_move_that(facts: dict[str, object], words: str) -> None:
    round_ = factories.a_round(state="kit_due")
    move = {
        "seq": 2, "event": "kit_sent", "from_state": "kit_due", "to_state": "kit_out", "due_on": "2026-06-20", "pool": "office",
    } | facts  # fmt: skip
    with pytest.raises(DatabaseError, match=words), acting(cast.member(cast.ADMINISTRATOR)):
        RoundMove(subject=round_, **move).save()


def test_a_ledger_row_without_an_actor_is_refused() -> None:
    round_ = factories.a_round(state="kit_due")
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('roundbook.actor', '', true)")
    with pytest.raises(DatabaseError), transaction.atomic():
        RoundMove(subject=round_, seq=2, event="reschedule", from_state="kit_due", to_state="kit_due",
                  due_on="2026-06-20", pool="office").save()  # fmt: skip


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE screening_roundmove SET note = 'x'",
        "DELETE FROM screening_roundmove",
        "UPDATE screening_round SET state = 'closed'",
        "UPDATE screening_round SET due_on = NULL",
        "UPDATE screening_round SET owner_id = 1",
        "DELETE FROM screening_round",
        "UPDATE staff_ledgertransition SET to_state = 'closed'",
        "UPDATE results_result SET side = 'below'",
        "UPDATE screening_personhistory SET family_name = ''",
        "CREATE TABLE mine (id int)",
    ],
)
def test_the_application_role_may_not(statement: str) -> None:
    with (
        pytest.raises(DatabaseError, match=r"permission denied|append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


def test_a_thing_is_born_without_a_state() -> None:
    with pytest.raises(DatabaseError, match="that no move of theirs gives"), transaction.atomic():
        Kit.objects.create(serial=serial_make(1), lot=Lot.objects.first(), state="in_stock")


STANDING = {
    "state": "'kit_due'", "last_seq": "1", "due_on": "'2026-06-20'", "pool": "'office'", "owner_id": "NULL",
    "due_time": "NULL", "state_since": "roundbook_now()", "closed_at": "NULL", "close_reason": "''",
}  # fmt: skip


def _born(standing: dict[str, str], *, many: int, moves: int = 1) -> list[int]:
    """Rounds inserted standing as told, with their first moves in the same statement; their ids."""
    people = [factories.a_person().pk for _ in range(many)]
    protocol = factories.a_round(state="kit_due").protocol_id
    statement = f"""
    WITH born AS (
        INSERT INTO screening_round (person_id, protocol_id, nth, invited_on, sex_at_invitation, {", ".join(standing)})
        SELECT p, {protocol}, 1, '2026-06-15', 'female', {", ".join(standing.values())} FROM unnest(%s::bigint[]) p
        RETURNING id),
    told AS (
        INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool, reason)
        SELECT born.id, m.* FROM born, (VALUES (1, 'open', '', 'kit_due', date '2026-06-20', 'office', ''),
            (2, 'kit_sent', 'kit_due', 'kit_out', date '2026-06-21', 'office', ''),
            (3, 'close', 'kit_out', 'closed', NULL, '', 'below')) m(seq, event, from_state, to_state, due_on, pool, reason)
        WHERE m.seq <= {moves})
    SELECT array_agg(id) FROM born"""
    with acting(cast.member(cast.ADMINISTRATOR)), connection.cursor() as cursor:
        cursor.execute(statement, [people])
        return list(cursor.fetchone()[0])


@pytest.mark.parametrize("many", [1, 9])
def test_a_thing_may_be_born_where_the_moves_of_its_own_statement_take_it(many: int) -> None:
    due = _born(STANDING, many=many)
    out = _born(
        STANDING | {"state": "'kit_out'", "last_seq": "2", "due_on": "'2026-06-21'"}, many=many, moves=2
    )
    further = _born(STANDING, many=many, moves=2)
    assert set(Round.objects.filter(pk__in=due).values_list("state", "last_seq")) == {("kit_due", 1)}
    assert set(Round.objects.filter(pk__in=further).values_list("state", "last_seq")) == {("kit_out", 2)}
    assert set(Round.objects.filter(pk__in=out).values_list("state", "last_seq")) == {("kit_out", 2)}
    assert projection_differences(ledger_of(Round))[1] == 0
    with acting(cast.member(cast.ADMINISTRATOR)):
        make_move(Round.objects.get(pk=due[0]), "kit_sent", due_on=date(2026, 6, 21), pool="office")
    assert Round.objects.get(pk=due[0]).state == "kit_out"


@pytest.mark.parametrize("many", [1, 9])
@pytest.mark.parametrize(
    ("odd", "moves"),
    [
        ({}, 0),
        ({"state": "'kit_out'"}, 1),
        ({"last_seq": "2"}, 1),
        ({"last_seq": "0"}, 1),
        ({"due_on": "'2026-06-19'"}, 1),
        ({"due_time": "'09:00'"}, 1),
        ({"pool": "'laboratory'"}, 1),
        ({"pool": "''"}, 1),
        ({"owner_id": "roundbook_actor()"}, 1),
        ({"state_since": "roundbook_now() - interval '1 day'"}, 1),
        ({"state_since": "NULL"}, 1),
        ({"state": "'closed'", "close_reason": "'below'", "closed_at": "roundbook_now()"}, 1),
    ],
)
def test_a_thing_born_elsewhere_than_its_moves_take_it_is_refused(
    odd: dict[str, str], moves: int, many: int
) -> None:
    with pytest.raises(DatabaseError, match="that no move of theirs gives"), transaction.atomic():
        _born(STANDING | odd, many=many, moves=moves)


def test_a_thing_is_never_born_closed() -> None:
    closed = {
        "state": "'closed'", "last_seq": "3", "due_on": "NULL", "pool": "''", "close_reason": "'below'",
        "closed_at": "roundbook_now()",
    }  # fmt: skip
    with pytest.raises(DatabaseError, match="that no move of theirs gives"), transaction.atomic():
        _born(STANDING | closed, many=1, moves=3)


def test_many_moves_in_one_statement_and_several_of_one_thing() -> None:
    who = cast.member(cast.ADMINISTRATOR)
    rounds = [factories.a_round(state="kit_due") for _ in range(3)]
    with acting(who):
        moved = make_moves(
            ledger_of(Round), "reschedule", source="SELECT id FROM screening_round WHERE state = 'kit_due'",
            values={"due_on": "'2026-07-01'::date", "pool": "'office'"},
        )  # fmt: skip
        RoundMove.objects.bulk_create(
            [
                RoundMove(subject=rounds[0], seq=3, event="kit_back", from_state="kit_due", to_state="result_due",
                          due_on="2026-07-02", pool="laboratory"),
                RoundMove(subject=rounds[0], seq=4, event="below", from_state="result_due", to_state="closed", reason="below"),
            ]
        )  # fmt: skip
    assert moved == 3
    rounds[0].refresh_from_db()
    assert (rounds[0].state, rounds[0].close_reason, rounds[0].last_seq) == ("closed", "below", 4)
    for ledger in walls:
        assert projection_differences(ledger)[1] == 0


def test_the_database_reads_the_same_machines_as_the_code() -> None:
    transitions, states = machine_rows()
    assert (
        set(LedgerTransition.objects.values_list("machine", "event", "from_state", "to_state")) == transitions
    )
    assert set(LedgerState.objects.values_list("machine", "state", "is_open", "is_closed")) == states


def test_one_open_round_a_person() -> None:
    round_ = factories.a_round()
    with pytest.raises(DatabaseError, match="one_open_round_a_person"):
        factories.a_round(round_.person)


@pytest.mark.parametrize("ledger", list(walls), ids=lambda one: one.machine.name)
def test_every_pair_of_state_and_event_is_listed_or_refused(ledger: object) -> None:
    machine = ledger.machine
    listed = {(s.source, s.event): s.target for s in machine.steps}
    for state in ["", *machine.states]:
        for event in machine.event_names:
            if (state, event) in listed:
                assert machine.step(state, event).target == listed[state, event]
            else:
                with pytest.raises(IllegalMove):
                    machine.step(state, event)


def test_a_large_change_after_a_small_one_keeps_a_steady_plan() -> None:
    """The trap: a session's history trigger keeps the plan of its first, small statement."""
    from screening.models import Person

    people = [
        Person(family_name=f"Tol{n}", given_names="Mara", birth_date="1960-01-01") for n in range(4_000)
    ]
    Person.objects.bulk_create(people)
    with acting(cast.member(cast.ADMINISTRATOR)):
        Person.objects.filter(pk=people[0].pk).update(locality="Northmere")
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL statement_timeout = '20s'")
            cursor.execute("UPDATE screening_person SET locality = 'Quillport'")
            cursor.execute(
                "SELECT count(*) FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid WHERE t.tgoldtable IS NOT NULL AND t.tgnewtable IS NOT NULL"
                " AND p.proname LIKE 'pgtrigger%%' AND NOT 'enable_nestloop=off' = ANY(coalesce(p.proconfig, '{}'))"
            )
            assert cursor.fetchone()[0] == 0
    assert Person.pgh_event_model.objects.count() == 4_001


@pytest.mark.django_db
def test_a_month_whose_rows_came_before_its_partition_stays_where_they_lie() -> None:
    entry = "INSERT INTO staff_accessentry (at, user_id, person_id, purpose, place) VALUES (%s, 1, 1, 'care', 'here')"
    with connection.cursor() as cursor:
        cursor.execute(entry, ["2031-05-02T10:00:00Z"])
        for month in ("2031-05-01", "2031-06-01", "2031-05-01"):
            cursor.execute("SELECT roundbook_ensure_month('staff_accessentry', %s)", [month])
        cursor.execute(entry, ["2031-05-03T10:00:00Z"])
        cursor.execute(entry, ["2031-06-03T10:00:00Z"])
        cursor.execute(
            "SELECT tableoid::regclass::text FROM staff_accessentry WHERE at > '2031-01-01' ORDER BY at"
        )
        places = [place for (place,) in cursor.fetchall()]
    assert places == ["staff_accessentry_default"] * 2 + ["staff_accessentry_203106"]


def test_the_move_that_assigns_a_kit_carries_its_round_and_nobody_else_sets_it() -> None:
    round_ = factories.a_round(state="kit_due")
    kit = round_.kits.get()
    assert (kit.ordinal, kit.moves.get(event="assign").round_id) == (1, round_.pk)
    again = factories.a_kit()
    with acting(cast.member(cast.ADMINISTRATOR)):
        Kit.objects.filter(pk=kit.pk).update(void_on=date(2026, 6, 17), void_reason="replaced")
        make_move(again, "assign", round_id=round_.pk, ordinal=2)
        Kit.objects.filter(pk=again.pk).update(dispatched_on=date(2026, 6, 17))
        make_move(again, "dispatch")
    again.refresh_from_db()
    assert (again.round_id, again.ordinal, again.state) == (round_.pk, 2, "dispatched")
    with pytest.raises(DatabaseError, match="permission denied"), transaction.atomic():
        Kit.objects.filter(pk=kit.pk).update(round=None)
    with pytest.raises(ValueError, match="Unknown move columns"), acting(cast.member(cast.ADMINISTRATOR)):
        make_move(round_, "reschedule", due_on=date(2026, 7, 1), pool="office", ordinal=2)
