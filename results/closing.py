"""Which evidence each reason for closing a referral demands, and when the person is next due; pure rules."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from results.referral_ladder import Attempt, ClosingGap, LadderPolicy, unreached_closing_gaps
from results.states import REFERRAL_CLOSE_REASONS
from screening.months import add_months

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class Evidence(StrEnum):
    """One thing a closing can demand."""

    NEXT_STEP = "next_step"
    CLINICIAN = "clinician"
    NOTE = "note"
    DOCUMENT = "document"
    SPOKE = "spoke"
    CLINICIAN_TALK = "clinician_talk"
    ATTEMPTS = "attempts"
    SECOND_PERSON = "second_person"
    DEATH = "death"
    WITHDRAWN = "withdrawn"
    PLAN = "plan"


DEMANDS: Mapping[str, tuple[Evidence, ...]] = {
    "next_step_signed": (Evidence.NEXT_STEP,),
    "informed_refusal": (Evidence.CLINICIAN, Evidence.NOTE, Evidence.SPOKE, Evidence.CLINICIAN_TALK),
    "unfit_for_good": (Evidence.CLINICIAN, Evidence.NOTE),
    "already_examined": (Evidence.CLINICIAN, Evidence.DOCUMENT),
    "examined_elsewhere": (Evidence.CLINICIAN, Evidence.DOCUMENT),
    "not_reached": (Evidence.ATTEMPTS, Evidence.SECOND_PERSON),
    "died": (Evidence.DEATH,),
    "transferred": (Evidence.DOCUMENT,),
    "result_withdrawn": (Evidence.CLINICIAN, Evidence.WITHDRAWN),
    "surveillance_ended": (Evidence.CLINICIAN, Evidence.NOTE, Evidence.PLAN),
}
"""Reason → evidence. Source: common practice, no source; an earlier examination or a refusal is a clinician's call.

A refusal demands a talk of a clinician with the person on record (job 2.12, exception 1)."""

WORDS: Mapping[Evidence, "StrOrPromise"] = {
    Evidence.NEXT_STEP: _("A clinician must sign the next step first."),
    Evidence.CLINICIAN: _("Only a clinician can close for this reason. Hand the referral to the clinicians."),
    Evidence.NOTE: _("Write a note: what was said and decided, in the clinician's own words."),
    Evidence.DOCUMENT: _("Name the document that proves it: the report or the receipt."),
    Evidence.SPOKE: _(
        "Record the conversation with the person first; nobody is closed on a relative's word."
    ),
    Evidence.CLINICIAN_TALK: _(
        "No talk of a clinician with the person is on record. Talk with the person, record it under “Spoke with the person”, then close."
    ),
    Evidence.SECOND_PERSON: ClosingGap.NO_SECOND_PERSON.sentence,
    Evidence.DEATH: _("The register has no date of death for this person. Have it confirmed there first."),
    Evidence.WITHDRAWN: _(
        "A result that calls for this referral still stands. The laboratory must withdraw it first."
    ),
    Evidence.PLAN: _(
        "This referral came from a result, not from a surveillance plan. Choose another reason."
    ),
}


@dataclass(frozen=True, slots=True)
class ClosingFacts:
    """What is known at the moment somebody wants to close a referral."""

    closed_by: int = 0
    agreed_by: int | None = None
    by_clinician: bool = False
    clinician_talked: bool = False
    next_step: bool = False
    note: str = ""
    document: str = ""
    attempts: tuple[Attempt, ...] = ()
    deceased: bool = False
    standing_results: int = 1
    from_plan: bool = False


@dataclass(frozen=True, slots=True)
class Gap:
    """One piece of evidence that is missing, and what to do about it."""

    evidence: Evidence
    sentence: "StrOrPromise"


def since_last_talk(attempts: Sequence[Attempt]) -> list[Attempt]:
    """The attempts after the last one that reached the person, in order; only these count towards the ladder."""
    tried: list[Attempt] = []
    for attempt in sorted(attempts, key=lambda one: one.on):
        tried = [] if attempt.reached else [*tried, attempt]
    return tried


def closing_gaps(reason: str, facts: ClosingFacts, *, on: date, ladder: LadderPolicy) -> list[Gap]:
    """What is missing before a referral may be closed for this reason; empty when it may be."""
    found = {
        Evidence.NEXT_STEP: facts.next_step,
        Evidence.CLINICIAN: facts.by_clinician,
        Evidence.NOTE: bool(facts.note.strip()),
        Evidence.DOCUMENT: bool(facts.document.strip()),
        Evidence.SPOKE: any(attempt.reached for attempt in facts.attempts),
        Evidence.CLINICIAN_TALK: facts.clinician_talked,
        Evidence.SECOND_PERSON: facts.agreed_by is not None and facts.agreed_by != facts.closed_by,
        Evidence.DEATH: facts.deceased,
        Evidence.WITHDRAWN: facts.standing_results == 0,
        Evidence.PLAN: facts.from_plan,
    }
    gaps: list[Gap] = []
    for demanded in DEMANDS[reason]:
        if demanded is Evidence.ATTEMPTS:
            tried = since_last_talk(facts.attempts)
            missing = unreached_closing_gaps(tried, on, ladder, facts.closed_by, facts.agreed_by)
            gaps += [Gap(demanded, gap.sentence) for gap in missing if gap is not ClosingGap.NO_SECOND_PERSON]
        elif not found[demanded]:
            gaps.append(Gap(demanded, WORDS[demanded]))
    return gaps


class After(StrEnum):
    """How the day a person is next due follows from the reason for closing."""

    SIGNED = "signed"
    FROM_RESULT = "from_result"
    FROM_EXAMINATION = "from_examination"
    NOW = "now"
    NEVER = "never"


AFTER: Mapping[str, After] = {
    "next_step_signed": After.SIGNED,
    "informed_refusal": After.FROM_RESULT,
    "unfit_for_good": After.NEVER,
    "already_examined": After.FROM_EXAMINATION,
    "examined_elsewhere": After.FROM_EXAMINATION,
    "not_reached": After.FROM_RESULT,
    "died": After.NEVER,
    "transferred": After.NEVER,
    "result_withdrawn": After.NOW,
    "surveillance_ended": After.FROM_RESULT,
}
assert set(AFTER) == set(DEMANDS) == set(REFERRAL_CLOSE_REASONS)  # noqa: S101 - the three tables must stay in step


@dataclass(frozen=True, slots=True)
class DueFacts:
    """What the next date is counted from."""

    today: date
    interval_months: int
    result_on: date
    examined_on: date | None = None
    signed_step: str = ""
    signed_on: date | None = None


def next_due_after(reason: str, facts: DueFacts) -> date | None:
    """The day the person is next due for screening, or None: no automatic recall.

    After an examination only the signed next step counts (R9); surveillance and treatment have dates of their own.
    A refusal and a person who could not be reached go back at the next interval, counted from the result.
    """
    after = AFTER[reason]
    if after is After.SIGNED:
        return facts.signed_on if facts.signed_step == "screening" else None
    if after is After.FROM_EXAMINATION:
        return add_months(facts.examined_on or facts.result_on, facts.interval_months)
    if after is After.FROM_RESULT:
        return add_months(facts.result_on, facts.interval_months)
    return facts.today if after is After.NOW else None
