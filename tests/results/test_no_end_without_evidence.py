"""No path of the machine closes a referral without its evidence: every state, every reason, every piece missing (H18)."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from itertools import combinations

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from results.closing import DEMANDS, Evidence
from results.models import ClosingEvidence, ContactAttempt, NextStep, Referral, Result
from results.services import referrals as services
from results.states import REFERRAL, REFERRAL_CLOSE_REASONS, REFERRAL_OPEN, REFERRAL_SIDE
from screening.models import Person
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
OPEN = [*REFERRAL_OPEN, *REFERRAL_SIDE]
LATER = 40


@contextmanager
def undone() -> Iterator[None]:
    """What happens inside is taken back."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def attempted(
    referral: Referral, outcome: str, days: int, channel: str = "phone", by: User | None = None
) -> None:
    """One contact attempt so many days after today."""
    moment = clock.now() - timedelta(days=LATER - days)
    ContactAttempt.objects.create(
        referral=referral, channel=channel, outcome=outcome, made_at=moment, made_on=clock.local_day(moment),
        made_by=by or f.kaddrin(),
    )  # fmt: skip


def give(referral: Referral, held: set[Evidence]) -> dict[str, object]:
    """Bring about exactly this evidence; returns who closes and what is written."""
    if Evidence.SPOKE in held:
        attempted(referral, "spoke", 1)
    if Evidence.CLINICIAN_TALK in held:
        attempted(referral, "spoke", 1, by=f.emrik())
    if Evidence.ATTEMPTS in held:
        for days, channel in (
            (5, "phone"),
            (6, "phone"),
            (9, "phone"),
            (10, "letter"),
            (20, "tracked"),
            (30, "doctor"),
        ):
            attempted(referral, "no_answer" if channel == "phone" else "sent", days, channel)
    if Evidence.SECOND_PERSON in held and Evidence.ATTEMPTS in held:
        services.referral_close_propose(by=f.kaddrin(), referral=referral)
    if Evidence.DEATH in held:
        with acting(f.kaddrin()):
            Person.objects.filter(pk=referral.person_id).update(deceased_on=clock.today())
    if Evidence.WITHDRAWN in held:
        with acting(f.kaddrin()):
            Result.objects.filter(referral_link__referral=referral).update(
                is_current=False, is_deciding=False
            )
    if Evidence.PLAN in held:
        plan = NextStep.objects.create(
            referral=referral, finding="non_advanced", step="surveillance", words="In three years.", on=clock.today(),
            signed_by=f.emrik(), signed_on=clock.today(),
        )  # fmt: skip
        Referral.objects.filter(pk=referral.pk).update(origin="surveillance", plan=plan)
    if Evidence.NEXT_STEP in held:
        f.sign(referral, finding="non_advanced")
    return {
        "by": f.emrik() if Evidence.CLINICIAN in held or Evidence.SECOND_PERSON in held else f.kaddrin(),
        "note": "As talked over." if Evidence.NOTE in held else " ",
        "document": "DOC-1" if Evidence.DOCUMENT in held else "",
    }


def told(referral: Referral, reason: str, held: set[Evidence]) -> set[str]:
    """What the service says is missing; empty when it closes. Everything is taken back."""
    with undone():
        given = give(referral, held)
        missing = _missing_to_close(referral, reason, given)
        closed = Referral.objects.get(pk=referral.pk).state == "closed"
        assert closed is (missing == set())
        assert ClosingEvidence.objects.filter(referral=referral).exists() is closed
        connection.check_constraints()
        return missing


def _missing_to_close(referral: Referral, reason: str, given: dict[str, object]) -> set[str]:
    try:
        services.referral_close(referral=referral, reason=reason, **given)
    except RoundbookError as refused:
        return set(refused.data["evidence"])
    return set()


@pytest.mark.parametrize("state", OPEN)
def test_from_every_state_every_reason_closes_on_all_its_evidence_and_on_no_less(state: str) -> None:
    # H18 of the job: attempt all closings without evidence.
    referral = f.a_referral(state)
    with ExitStack() as later:
        f.days_later(later, LATER)
        # A talk on the way here (a nurse's, who is a clinician) is undone by later attempts; the ladder counts from the last.
        spoken = referral.attempts.filter(outcome="spoke").exists()
        for reason, demanded in DEMANDS.items():
            # A next step is signed only where all reports are in: elsewhere this reason can never have its evidence.
            possible = reason != "next_step_signed" or state == "to_classify"
            free = {Evidence.SPOKE, Evidence.CLINICIAN_TALK} if spoken else set()
            for size in range(len(demanded) + 1):
                for held in map(set, combinations(demanded, size)):
                    if Evidence.NEXT_STEP in held and not possible:
                        continue
                    missing = set(demanded) - held - free
                    if Evidence.CLINICIAN_TALK in held:
                        missing -= {Evidence.SPOKE}  # a clinician's talk is a talk
                    if Evidence.ATTEMPTS in missing:
                        missing |= {
                            Evidence.SECOND_PERSON
                        }  # nobody can propose before the attempts are there
                    assert told(referral, reason, held) == {one.value for one in missing}, (reason, held)
    assert not ClosingEvidence.objects.exists()


def test_the_table_has_no_other_way_to_the_end_than_the_one_event() -> None:
    ends = {step.event for step in REFERRAL.steps if step.target == "closed"}
    assert ends == {"close"}
    assert {step.source for step in REFERRAL.steps if step.event == "close"} == set(OPEN)


def close_barely(referral: Referral, reason: str) -> None:
    """Close by a bare move, as no service does, and let the database judge it as at the end of a transaction."""
    with transaction.atomic(), acting(f.liora()):
        make_move(referral, "close", reason=reason)
        connection.check_constraints()


@pytest.mark.parametrize("state", OPEN)
def test_a_bare_move_past_the_services_is_refused_by_the_database(state: str) -> None:
    referral = f.a_referral("to_reach")
    with acting(f.liora()):
        _brought(referral, state)
    for reason in REFERRAL_CLOSE_REASONS:
        with pytest.raises(DatabaseError, match="without evidence"):
            close_barely(referral, reason)
    assert Referral.objects.get(pk=referral.pk).state == state


def _brought(referral: Referral, state: str) -> None:
    """To a state by bare moves alone, the quick way."""
    path = {
        "to_reach": [], "to_assess": ["reached"], "to_book": ["assessed"], "requested": ["assessed", "request"],
        "booked": ["assessed", "book"], "report_due": ["assessed", "book", "examined"],
        "histology_due": ["assessed", "book", "report_specimen"], "to_classify": ["assessed", "book", "report"],
        "undecided": ["undecided"], "paused_until": ["pause"], "elsewhere": ["elsewhere"],
        "repeat_planned": ["assessed", "book", "examined", "repeat"],
    }[state]  # fmt: skip
    for event in path:
        make_move(referral, event, due_on=clock.today(), pool="coordinators")
    assert referral.state == state


def test_closing_twice_needs_evidence_twice() -> None:
    referral = f.a_referral()
    services.referral_close(by=f.emrik(), referral=referral, reason="unfit_for_good", note="Very ill.")
    services.referral_reopen(by=f.kaddrin(), referral=referral, note="better")
    connection.check_constraints()
    with pytest.raises(DatabaseError, match="without evidence"):
        close_barely(referral, "unfit_for_good")


STORED = {
    Evidence.NEXT_STEP: "next_step", Evidence.CLINICIAN: "clinician", Evidence.NOTE: "note",
    Evidence.DOCUMENT: "document", Evidence.SECOND_PERSON: "second_person",
}  # fmt: skip
"""Evidence that the closing itself keeps; the rest stands in attempts, in the register and in results."""


@pytest.mark.parametrize("reason", sorted(DEMANDS))
def test_the_row_of_a_closing_cannot_lack_what_its_reason_demands(reason: str) -> None:
    referral = f.a_referral("to_classify")
    f.sign(referral, finding="non_advanced")
    whole = {
        "next_step": NextStep.objects.get(), "clinician": f.emrik(), "note": "As talked over.", "document": "DOC-1",
        "second_person": f.kaddrin(),
    }  # fmt: skip
    bare = {"note": "", "document": "", "next_step": None, "clinician": None, "second_person": None}
    demanded = {STORED[one] for one in DEMANDS[reason] if one in STORED}
    for size in range(len(demanded) + 1):
        for kept in map(set, combinations(sorted(demanded), size)):
            given = bare | {name: whole[name] for name in kept}
            row = ClosingEvidence(
                referral=referral, reason=reason, closed_by=f.liora(), closed_on=clock.today(), **given
            )
            if kept == demanded:
                with undone():
                    row.save()
                continue
            with (
                pytest.raises(IntegrityError, match="closing_holds_what_its_reason_demands"),
                transaction.atomic(),
            ):
                row.save()


def test_an_unknown_reason_has_no_row() -> None:
    row = ClosingEvidence(
        referral=f.a_referral(), reason="tired", closed_by=f.liora(), closed_on=clock.today()
    )
    with pytest.raises(IntegrityError, match="closing_holds"), transaction.atomic():
        row.save()
