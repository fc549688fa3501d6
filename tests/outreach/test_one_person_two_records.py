"""What somebody said for a record that was put under another holds for the one person: no kit, no reminder, no copy.

Source: hazards H16 and H27; nobody who opted out is invited, whichever record it was written on.
"""

from collections.abc import Callable

import pytest

from outreach.models import Letter
from outreach.querysets import stop_facts
from screening.models import Person
from screening.services.batches import batch_people, batch_preflight
from screening.services.duplicates import merge_ask, merge_decide
from screening.services.exclusions import exclusion_record
from screening.services.people import stop_record
from staff import clock
from tests import cast
from tests.factories import a_person, a_round, by_default
from tests.outreach.makers import planned
from tests.screening.intake import bench

pytestmark = pytest.mark.usefixtures("region")


def put_under(kept: Person, gone: Person) -> None:
    asked = merge_ask(by=cast.member(cast.PHONE_DESK), kept=kept, merged=gone, why="one passport")
    merge_decide(by=cast.member(cast.COORDINATOR), merge=asked, agree=True)


def opted_out(gone: Person) -> None:
    stop_record(by=by_default(), person=gone, scope="invitations", source="called")


def left_out(gone: Person) -> None:
    exclusion_record(by=by_default(), person=gone, kind="recent_colonoscopy", note="letter of the practice")


@pytest.mark.parametrize(("said", "reason"), [(opted_out, "declined"), (left_out, "excluded")])
def test_no_kit_goes_to_who_said_so_for_the_other_record(
    said: Callable[[Person], object], reason: str
) -> None:
    gone, round_ = a_person(), a_round(state="kit_due", sent_days_ago=0)
    other = a_round(state="kit_due", sent_days_ago=0)
    said(gone)
    assert round_.batch is not None
    assert other.batch is not None
    assert not batch_preflight(round_.batch)
    put_under(round_.person, gone)
    assert [(one.person_id, one.reason) for one in batch_preflight(round_.batch)] == [
        (round_.person_id, reason)
    ]
    assert not batch_people(round_.batch, limit=10)
    assert not batch_preflight(other.batch), "nobody else is left out"


def test_no_reminder_goes_to_who_opted_out_for_the_other_record() -> None:
    gone, round_, other = a_person(), a_round(sent_days_ago=40), a_round(sent_days_ago=40)
    opted_out(gone)
    put_under(round_.person, gone)
    assert [letter.round_id for letter in planned("reminder")] == [other.pk]


@pytest.mark.parametrize(
    ("scope", "fact"), [("invitations", "opted_out"), ("doctor_copy", "objects_doctor_copy")]
)
def test_a_letter_that_waits_knows_what_was_said_for_the_other_record(scope: str, fact: str) -> None:
    gone, round_ = a_person(), a_round(state="kit_due", sent_days_ago=0)
    planned("invitation")
    letter = Letter.objects.get(round=round_)
    stop_record(by=by_default(), person=gone, scope=scope, source="called")

    def known() -> bool:
        ((_pk, _kind, facts),) = stop_facts([letter.pk], today=clock.today())
        return bool(getattr(facts, fact))

    assert not known()
    put_under(round_.person, gone)
    assert known()


def test_a_kit_of_who_opted_out_for_the_other_record_is_set_aside_at_the_desk() -> None:
    gone, kit = a_person(), bench.kit_out()
    opted_out(gone)
    put_under(kit.round.person, gone)
    session = bench.a_session()
    answer = bench.scan(session, kit.serial, "3")
    assert (answer.outcome, answer.code) == ("set_aside", "opted_out")
    assert bench.scan(session, bench.kit_out().serial, "3").code != "opted_out", "nobody else's is"
