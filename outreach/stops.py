"""Whether a letter may go on: one pure decision, asked at planning, freezing, printing and hand-over."""

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
    side: str = ""
    result_current: bool = True
    earlier_question_open: bool = False
    in_surveillance: bool = False
    duplicate: bool = False
    cleared: frozenset[str] = frozenset()
    """Stops that a person looked at and let pass."""


@dataclass(frozen=True)
class Stop:
    """Why a letter may not go on, and what becomes of it."""

    code: StopCode
    outcome: Outcome


def holds_true(code: StopCode, facts: Facts) -> bool:
    """Whether the facts are those of this stop."""
    return {
        StopCode.RESULT_SUPERSEDED: not facts.result_current,
        StopCode.DIED: facts.died,
        StopCode.MERGED: facts.merged,
        StopCode.DUPLICATE: facts.duplicate,
        StopCode.OPTED_OUT: facts.opted_out,
        StopCode.LEFT_AREA: facts.left_area,
        StopCode.ROUND_OVER: facts.round_state not in WAITING_FOR_A_KIT,
        StopCode.KIT_BACK: facts.kit_back,
        StopCode.KIT_VOID: facts.kit_void,
        StopCode.OBJECTS_DOCTOR_COPY: facts.objects_doctor_copy,
        StopCode.EARLIER_QUESTION_OPEN: facts.earlier_question_open,
        StopCode.IN_SURVEILLANCE: facts.in_surveillance,
        StopCode.NO_PRACTICE: not facts.has_practice,
        StopCode.HIDDEN_ADDRESS: facts.hidden_address,
        StopCode.NO_ADDRESS: not facts.has_address,
    }[code]


def stop_for(kind: Kind, facts: Facts) -> Stop | None:
    """The first stop that applies to a letter of this kind (R1: each stop has its scope), or None."""
    scope = kind.stops_for(facts.side)
    for code in StopCode:
        if code not in scope or (code in CLEARABLE and code in facts.cleared):
            continue
        if holds_true(code, facts):
            return Stop(code, scope[code])
    return None
