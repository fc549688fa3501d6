"""The letter after two calls nobody answered about a set-aside kit (message 6 of the catalogue)."""

from datetime import timedelta

import pytest

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan, letters_repair
from screening.models import IntakeSession, Kit, Return
from screening.services.intake import return_solve
from screening.services.intake_calls import call_record
from screening.services.intake_solve import Answer
from staff import clock
from staff.working_days import working_days_after
from tests import cast
from tests.factories import by_default
from tests.outreach.makers import planned
from tests.screening.intake import bench

KIND = "sample_question"


@pytest.fixture
def aside(region: object) -> Return:
    """A kit set aside because its label gives a day that cannot be."""
    kit: Kit = bench.kit_out(30)
    assert (
        bench.scan(bench.a_session(), kit.serial, (clock.today() + timedelta(days=2)).isoformat()).outcome
        == "set_aside"
    )
    IntakeSession.objects.update(alarm_sequence=None)
    return Return.objects.get(kit=kit)


def ring(back: Return, call: str = "no_answer", **more: object) -> None:
    """The phone desk rings."""
    call_record(by=cast.member(cast.PHONE_DESK), return_=back, call=call, **more)


def letters() -> list[Letter]:
    """The letters of this kind after planning."""
    letters_plan(by=by_default())
    return list(Letter.objects.filter(kind=KIND))


def test_the_second_missed_call_owes_one_letter_in_two_working_days(aside: Return) -> None:
    # Source: the programme's catalogue of letters, message 6 (unreached twice, two working days): common practice, no source.
    ring(aside)
    assert letters() == []
    ring(aside, "call_back", on=clock.today())
    assert letters() == [], "a call that reached somebody is not a missed one"
    ring(aside, "machine")
    (letter,) = letters()
    assert (letter.state, letter.person_id) == ("owed", aside.kit.round.person_id)
    assert letter.due_on == working_days_after(clock.today(), 2, ())
    ring(aside, "wrong_number")
    assert letters() == [letter], "one letter a set-aside"


def test_it_asks_the_one_question_and_says_by_when(aside: Return) -> None:
    Return.objects.filter(pk=aside.pk).update(collected_earliest=clock.today() - timedelta(days=2))
    ring(aside)
    ring(aside)
    letters_plan(by=by_default())
    assert letters_freeze(by=by_default(), kind=KIND) == 1
    (letter,) = planned(KIND)
    assert letter.context["question"] == "On which day did you take the sample?"
    by = clock.today() + timedelta(days=10)
    assert letter.context["call_by"] == f"{by.day} {by:%B %Y}"


def test_a_sample_about_to_grow_too_old_gives_no_day(aside: Return) -> None:
    Return.objects.filter(pk=aside.pk).update(collected_earliest=clock.today() - timedelta(days=11))
    ring(aside)
    ring(aside)
    letters_plan(by=by_default())
    letters_freeze(by=by_default(), kind=KIND)
    assert planned(KIND)[0].context["call_by"] == ""


def test_once_it_is_answered_nothing_is_sent(aside: Return) -> None:
    ring(aside)
    ring(aside)
    (letter,) = letters()
    return_solve(by=cast.member(cast.PHONE_DESK), return_=aside, answer=Answer.DAY_TOLD, day=bench.day_of(3))
    assert letters_freeze(by=by_default(), kind=KIND) == 0
    letter.refresh_from_db()
    assert (letter.state, letter.moves.latest("seq").reason) == ("cancelled", "question_answered")


def test_the_repair_of_a_past_period_owes_it_too(aside: Return) -> None:
    from django.db import connection

    ring(aside)
    ring(aside)
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM outreach_lettertodo")
    assert letters() == []
    letters_repair(by=by_default(), since=clock.today())
    assert len(planned(KIND)) == 1
