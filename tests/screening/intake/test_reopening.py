"""A round that opens again at the bench takes its person off the list of who is due."""

import pytest

from screening.models import IntakeSession, Kit, Person, Return, Round
from screening.services.due import due_people_count
from screening.services.intake import return_solve, returns_log_many, scan_undo
from screening.services.rounds import round_result_withdrawn, rounds_reported_below
from staff import clock
from tests import cast
from tests.screening.intake import bench


@pytest.fixture
def session(region: object) -> IntakeSession:
    """A session of the front desk."""
    return bench.a_session()


def next_due(kit: Kit) -> tuple[object, str]:
    """When the person of a kit is next due, and why not."""
    return Person.objects.values_list("next_due_on", "not_due_code").get(pk=kit.round.person_id)


def nobody_in_a_round_is_due() -> bool:
    """Whether no person with an open round has a next date."""
    open_rounds = Round.objects.exclude(state__in=["", "closed"])
    return not Person.objects.filter(rounds__in=open_rounds, next_due_on__isnull=False).exists()


# Source: ruling R7 (a late kit opens its round again); nobody with an open round is due, common practice, no source.
def test_a_late_kit_takes_its_person_off_the_list(session: IntakeSession) -> None:
    kit = bench.kit_of_a_late_round()
    assert next_due(kit)[0] is not None
    bench.scan(session, kit.serial, bench.day_of(3))
    assert next_due(kit) == (None, "in_a_round")
    scan_undo(by=cast.member(cast.FRONT_DESK), session=session)
    kit.refresh_from_db()
    assert kit.round.state == "kit_out"
    assert next_due(kit) == (None, "in_a_round")


def test_many_late_kits_take_their_people_off_the_list(session: IntakeSession) -> None:
    kits = [bench.kit_of_a_late_round(), bench.kit_of_the_declined(), bench.kit_out()]
    many = returns_log_many(
        by=cast.member(cast.FRONT_DESK), delivery=session.delivery,
        rows=[(kit.serial, bench.day_of(3), "") for kit in kits],
    )  # fmt: skip
    assert many.logged == 3
    assert [next_due(kit)[0] for kit in kits] == [None] * 3
    assert nobody_in_a_round_is_due()


@pytest.mark.parametrize("answer", ["unsuitable", "accept"])
def test_a_late_kit_that_was_set_aside_keeps_its_person_off_the_list(
    session: IntakeSession, answer: str
) -> None:
    kit = bench.kit_of_a_late_round()
    bench.scan(session, kit.serial, bench.day_of(3), "other_birth_date")
    back = Return.objects.get(kit=kit, state="set_aside")
    assert next_due(kit)[0] is None
    Person.objects.filter(pk=kit.round.person_id).update(next_due_on=clock.today(), not_due_code="")
    return_solve(by=cast.member(cast.PHONE_DESK), return_=back, answer=answer)
    assert next_due(kit) == (None, "in_a_round")


def test_a_withdrawn_result_takes_its_person_off_the_list(session: IntakeSession) -> None:
    kit, lead = bench.kit_out(), cast.member(cast.LAB_LEAD)
    bench.scan(session, kit.serial, bench.day_of(3))
    rounds_reported_below(by=lead, rows=[(kit.round_id, clock.today())])
    assert next_due(kit)[0] is not None
    round_result_withdrawn(by=lead, round=Round.objects.get(pk=kit.round_id), due_on=clock.today())
    assert next_due(kit) == (None, "in_a_round")
    assert due_people_count(clock.today()) == 0
