"""The lists of “Nobody falls through” see one person in two records: a referral or a round stays where it was.

Source: the programme's job description 4.6 (the lists), hazards H15 and H16 (one person in two records), rulings R9 and R14.
"""

from contextlib import ExitStack

import pytest

from results.models import Referral
from screening.models import Exclusion, Person
from screening.services.people import stop_record
from staff.acting import acting
from tests import cast
from tests.factories import a_person, by_default
from tests.outreach.test_one_person_two_records import put_under
from tests.oversight import worked
from tests.oversight.test_net import ago, somebody_unreached, waiting
from tests.results import follow_up
from tests.results.test_re_offers import unreached_referral

pytestmark = pytest.mark.usefixtures("region")


def listed(name: str) -> list[tuple[int, str]]:
    return [(row["id"], row["note"]) for row in waiting(name).rows]


def changed(person: Person, **facts: object) -> None:
    with acting(by_default()):
        Person.objects.filter(pk=person.pk).update(**facts)


def invited_under_another() -> Person:
    """Whose only round, long ago, stands on a record that was put under hers."""
    round_, kept = worked.invited(ago(900)), a_person()
    worked.closed(round_, ago(800), "not_returned")
    put_under(kept, round_.person)
    return kept


def surveillance_under(kept: Person) -> None:
    """Surveillance without a plan, on a record that was put under this one."""
    gone = a_person()
    with acting(cast.member(cast.CLINICIAN)):
        Exclusion.objects.create(person=gone, kind="surveillance", since=ago(30), confirmed=True)
    put_under(kept, gone)


def test_the_unit_is_told_once_of_who_opted_out_on_both_records() -> None:
    referral, gone = Referral.objects.get(pk=somebody_unreached()), a_person()
    put_under(referral.person, gone)
    assert not listed("unit_not_told")
    stop_record(by=by_default(), person=gone, scope="invitations", source="called")
    assert listed("unit_not_told") == [(referral.pk, "opted_out")]
    stop_record(by=by_default(), person=referral.person, scope="invitations", source="called")
    assert listed("unit_not_told") == [(referral.pk, "opted_out")]


def test_a_way_to_reach_somebody_that_stands_on_the_other_record_is_new() -> None:
    referral, kept = unreached_referral(), a_person(phone="01632 960777")
    with ExitStack() as later:
        follow_up.days_later(later, 40)
        assert not listed("reach_again")
        put_under(kept, referral.person)
        assert listed("reach_again") == [(referral.pk, "new_contact")]
        changed(kept, deceased_on=ago(1), next_due_on=None, not_due_code="died")
        assert not listed("reach_again")


def test_who_was_invited_on_the_other_record_is_not_never_invited() -> None:
    kept, other = invited_under_another(), a_person()
    for person in (kept, other):
        changed(person, next_due_on=ago(300))
    assert listed("never_invited") == [(other.pk, "waits")]


def test_who_was_invited_long_ago_on_the_other_record_and_has_no_day_is_found() -> None:
    kept = invited_under_another()
    changed(kept, next_due_on=ago(10))
    assert not listed("ghosts")
    changed(kept, next_due_on=None, not_due_code="")
    assert listed("ghosts") == [(kept.pk, "no_day")]


def test_surveillance_that_stands_on_the_record_put_under_is_not_lost_from_sight() -> None:
    kept = a_person()
    surveillance_under(kept)
    assert listed("surveillance_lost") == [(kept.pk, "no_plan")]


def test_surveillance_needs_no_day_while_the_person_has_an_open_referral() -> None:
    surveillance_under(Referral.objects.get(pk=somebody_unreached()).person)
    assert not listed("surveillance_lost")
