"""Whether a letter may go on: one pure decision, asked at planning, freezing, printing and hand-over."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from outreach.kinds import CLEARABLE, Kind, Outcome, StopCode

WAITING_FOR_A_KIT = frozenset({"kit_due", "kit_out"})


@dataclass(frozen=True)
class Facts:
    """What is true of a letter's person, round, kit and result at this moment."""

    died: bool = False
    merged: bool = False
    left_area: bool = False
    hidden_address: bool = False
    has_address: bool = True
    opted_out: bool = False
    objects_doctor_copy: bool = False
    has_practice: bool = True
    round_state: str = ""
    kit_back: bool = False
    kit_void: bool = False
    question_answered: bool = False
    """The set-aside that the letter asks about is solved, or its scan was undone."""
    side: str = ""
    result_current: bool = True
    reason_overtaken: bool = False
    """A later kit of the round called for another letter, or the scan that called for this one was undone."""
    earlier_question_open: bool = False
    in_surveillance: bool = False
    under_look_back: bool = False
    told_below_before: bool = False
    cancer_found: bool = False
    tell_by_phone_first: bool = False
    moved_on: bool = False
    """The referral left the states in which it makes sense, or its booking was let go."""
    objects_channel: bool = False
    no_consent: bool = False
    duplicate: bool = False
    cleared: frozenset[str] = frozenset()
    """Stops that a person looked at and let pass."""


@dataclass(frozen=True)
class Stop:
    """Why a letter may not go on, and what becomes of it."""

    code: StopCode
    outcome: Outcome


HOLDS_TRUE: Mapping[StopCode, Callable[[Facts], bool]] = {
    StopCode.RESULT_SUPERSEDED: lambda facts: not facts.result_current,
    StopCode.REASON_OVERTAKEN: lambda facts: facts.reason_overtaken,
    StopCode.DIED: lambda facts: facts.died,
    StopCode.MERGED: lambda facts: facts.merged,
    StopCode.DUPLICATE: lambda facts: facts.duplicate,
    StopCode.OPTED_OUT: lambda facts: facts.opted_out,
    StopCode.LEFT_AREA: lambda facts: facts.left_area,
    StopCode.ROUND_OVER: lambda facts: facts.round_state not in WAITING_FOR_A_KIT,
    StopCode.KIT_BACK: lambda facts: facts.kit_back,
    StopCode.QUESTION_ANSWERED: lambda facts: facts.question_answered,
    StopCode.MOVED_ON: lambda facts: facts.moved_on,
    StopCode.OBJECTS_CHANNEL: lambda facts: facts.objects_channel,
    StopCode.NO_CONSENT: lambda facts: facts.no_consent,
    StopCode.KIT_VOID: lambda facts: facts.kit_void,
    StopCode.OBJECTS_DOCTOR_COPY: lambda facts: facts.objects_doctor_copy,
    StopCode.EARLIER_QUESTION_OPEN: lambda facts: facts.earlier_question_open,
    StopCode.IN_SURVEILLANCE: lambda facts: facts.in_surveillance,
    StopCode.UNDER_LOOK_BACK: lambda facts: facts.under_look_back,
    StopCode.TOLD_BELOW_BEFORE: lambda facts: facts.told_below_before,
    StopCode.CANCER_FOUND: lambda facts: facts.cancer_found,
    StopCode.TELL_BY_PHONE_FIRST: lambda facts: facts.tell_by_phone_first,
    StopCode.NO_PRACTICE: lambda facts: not facts.has_practice,
    StopCode.HIDDEN_ADDRESS: lambda facts: facts.hidden_address,
    StopCode.NO_ADDRESS: lambda facts: not facts.has_address,
}
"""Whether the facts are those of a stop."""


def stop_for(kind: Kind, facts: Facts) -> Stop | None:
    """The first stop that applies to a letter of this kind (R1: each stop has its scope), or None."""
    scope = kind.stops_for(facts.side)
    for code in StopCode:
        if code not in scope or (code in CLEARABLE and code in facts.cleared):
            continue
        if HOLDS_TRUE[code](facts):
            return Stop(code, scope[code])
    return None
