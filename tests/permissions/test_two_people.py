"""R14: separation of duties is between people, never between roles: whoever holds every role still cannot do both halves.

Source: ruling R14 (anyone else, also remotely and from another site; alone never: cutoff, control targets, merge, death reversal,
amendment, closing "could not be reached") and R15 (one account with three roles).
"""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from oversight.services.journal_asked import ageing_agree, ageing_ask
from results.models import Analyser, ControlLot, Unit
from results.services.follow_up_policy import policy_approve, policy_basis, policy_propose, policy_values
from results.services.lots import lot_enter, second_person_confirms
from screening.models import Batch, DeathQuestion, Lot, PersonMerge, Protocol, RegisterLoad, ScreeningPolicy
from screening.services.batches import batch_open, batch_release, kits_stock
from screening.services.deaths import death_ask, death_decide
from screening.services.duplicates import duplicates_find, duplicates_open, merge_ask, merge_decide
from screening.services.exclusions import exclusion_confirm, exclusion_record
from screening.services.protocols import protocol_approve, protocol_effect, protocol_propose
from screening.services.register import register_apply, register_stage
from screening.services.register_lines import COLUMNS
from staff import clock
from staff.errors import RoundbookError
from staff.models import AccessEntry, Posting, User
from staff.roles import PEOPLE
from tests import factories

TODAY = date(2026, 6, 17)
Half = Callable[[User], object]
Decision = Callable[[User], Half]
pytestmark = pytest.mark.usefixtures("region")


def with_every_role(name: str) -> User:
    """Somebody who may do everything there is, at any site."""
    user = User.objects.create(
        username=name, full_name=f"{name.title()} Allroles", email=f"{name}@example.org"
    )
    Posting.objects.bulk_create(Posting(user=user, role=role) for role in sorted(PEOPLE))
    return user


def a_protocol(by: User) -> Half:
    draft = protocol_propose(
        by=by, name="P2", valid_from=date(2026, 9, 1), reason="x", values={"grace_days": 80}
    )
    protocol_effect(by=by, protocol=draft)
    return lambda who: protocol_approve(by=who, protocol=draft)


def a_follow_up_policy(by: User) -> Half:
    day = date(2026, 9, 1)
    values = policy_values(policy_basis(day)) | {"contact_days": 6}
    policy = policy_propose(by=by, valid_from=day, values=values, why="sooner")
    return lambda who: policy_approve(by=who, policy=policy)


def a_batch(by: User) -> Half:
    kits_stock(by=by, lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    factories.a_person()
    batch = batch_open(by=by, size=1)
    return lambda who: batch_release(by=who, batch=batch)


def a_death(by: User) -> Half:
    question = death_ask(by=by, person=factories.a_person(), kind="died", source="son rang", day=TODAY)
    return lambda who: death_decide(by=who, question=question, agree=True)


def a_death_taken_back(by: User) -> Half:
    dead = factories.a_person(deceased_on=date(2026, 6, 1), next_due_on=None)
    question = death_ask(by=by, person=dead, kind="lives", source="she rang")
    return lambda who: death_decide(by=who, question=question, agree=True)


def a_merge(by: User) -> Half:
    home = {
        "family_name": "Tolvane",
        "given_names": "Marra",
        "address_1": "1 Mill Lane",
        "name_key": "tolvane marra",
    }
    one, two = factories.a_person(**home), factories.a_person(**home)
    duplicates_find(by=by)
    assert duplicates_open().exists()
    merge = merge_ask(by=by, kept=one, merged=two, why="same papers")
    return lambda who: merge_decide(by=who, merge=merge, agree=True)


def an_exclusion(by: User) -> Half:
    found = exclusion_record(by=by, person=factories.a_person(), kind="colectomy", note="told on the phone")
    return lambda who: exclusion_confirm(by=who, exclusion=found)


def a_held_file(by: User) -> Half:
    person = factories.a_person()
    facts = {c: str(getattr(person, c, "") or "") for c in COLUMNS} | {
        "person_number": person.identifiers.get().value, "deceased_on": "2026-06-15",
    }  # fmt: skip
    content = ",".join(COLUMNS) + "\n" + ",".join(facts[c] for c in COLUMNS) + "\n"
    load = register_stage(by=by, content=content.encode(), file_name="delta.csv")
    assert load.status == RegisterLoad.Status.HELD
    return lambda who: register_apply(by=who, load=load, override_hold=True)


def a_control_target(by: User) -> Half:
    row = ControlLot(
        analyser=Analyser.objects.get(code="Q1"), material="Control", level=1, lot="CL999", unit=Unit.NG_ML,
        target=Decimal(90), sd=Decimal("5.5"), opened_on=TODAY, expires_on=TODAY + timedelta(days=400),
    )  # fmt: skip
    lot_enter(by=by, row=row)
    return lambda who: second_person_confirms(by=who, row=row)


def old_looks(by: User) -> Half:
    AccessEntry.objects.bulk_create(
        [
            AccessEntry(
                id=7, at=clock.moment(date(2014, 3, 5)), user_id=1, person_id=1, purpose="call", place="x"
            )
        ]
    )
    asked = ageing_ask(by=by)
    return lambda who: ageing_agree(by=who, asked=asked)


DECISIONS: dict[str, Decision] = {
    "a protocol": a_protocol, "follow-up policy": a_follow_up_policy, "a batch": a_batch, "a death": a_death,
    "a death taken back": a_death_taken_back, "a merge": a_merge, "a lasting exclusion": an_exclusion,
    "a held register file": a_held_file, "a control's target": a_control_target,
    "old looks of the journal": old_looks,
}  # fmt: skip


@pytest.mark.parametrize("what", DECISIONS)
def test_whoever_holds_every_role_cannot_be_both_people(what: str) -> None:
    alone, other = with_every_role("sola"), with_every_role("altra")
    second_half = DECISIONS[what](alone)
    with pytest.raises(RoundbookError) as refused:
        second_half(alone)
    assert refused.value.code == "second_person"
    second_half(other)


@pytest.mark.parametrize("what", DECISIONS)
def test_the_second_person_needs_no_more_than_another_account(what: str) -> None:
    """Also with the very same roles, from another site: it is the person that counts."""
    alone, other = with_every_role("sola"), with_every_role("altra")
    assert alone.roles == other.roles
    DECISIONS[what](other)(alone)


def test_the_database_says_the_same_whatever_the_code_does() -> None:
    alone = with_every_role("sola")
    rows = [
        Protocol(name="x", valid_from=date(2027, 1, 1), proposed_by=alone, approved_by=alone),
        Batch(number="9", opened_on=TODAY, opened_by=alone, opened_at=clock.now(), released_by=alone,
              protocol=ScreeningPolicy.objects.get().protocol),
        DeathQuestion(person=factories.a_person(), kind="died", day=TODAY, source="x", asked_by=alone,
                      asked_at=clock.now(), decided_by=alone, decided_at=clock.now(), agreed=True),
        PersonMerge(kept=factories.a_person(), merged=factories.a_person(), why="x", asked_by=alone,
                    asked_at=clock.now(), decided_by=alone, decided_at=clock.now(), agreed=True),
    ]  # fmt: skip
    for row in rows:
        with pytest.raises(IntegrityError, match=r"second_person|two_people|another"), transaction.atomic():
            row.save()
