"""Groups of stops that several letter kinds share. Pure."""

from collections.abc import Mapping

from outreach.kinds import Outcome, StopCode

CARE = frozenset({"contact", "symptoms"})
OFFER: Mapping[StopCode, Outcome] = {
    StopCode.DIED: Outcome.CANCEL,
    StopCode.MERGED: Outcome.CANCEL,
    StopCode.DUPLICATE: Outcome.CANCEL,
    StopCode.OPTED_OUT: Outcome.CANCEL,
    StopCode.LEFT_AREA: Outcome.CANCEL,
    StopCode.ROUND_OVER: Outcome.CANCEL,
    StopCode.KIT_BACK: Outcome.CANCEL,
    StopCode.HIDDEN_ADDRESS: Outcome.HOLD_OFFICE,
    StopCode.NO_ADDRESS: Outcome.HOLD_OFFICE,
}
TOLD: Mapping[StopCode, Outcome] = {
    StopCode.RESULT_SUPERSEDED: Outcome.SUPERSEDE,
    StopCode.DUPLICATE: Outcome.CANCEL,
}
WITH_KIT = {StopCode.KIT_VOID: Outcome.HOLD_OFFICE}


NOT_HOME = frozenset({StopCode.HIDDEN_ADDRESS, StopCode.NO_ADDRESS})


def as_message(stops: Mapping[StopCode, Outcome]) -> Mapping[StopCode, Outcome]:
    """The stops of a letter for a message beside it: an address does not matter, agreement does; nothing is held for it."""
    agreed = {StopCode.OBJECTS_CHANNEL: Outcome.CANCEL, StopCode.NO_CONSENT: Outcome.CANCEL}
    return {code: Outcome.CANCEL for code in stops if code not in NOT_HOME} | agreed


def once_to_person(*, held_by: Outcome = Outcome.HOLD_OFFICE) -> Mapping[StopCode, Outcome]:
    """A letter about something that happened, to the home: only death and a missing way stop it (R1)."""
    return {
        StopCode.DIED: Outcome.CANCEL,
        StopCode.DUPLICATE: Outcome.CANCEL,
        StopCode.MERGED: held_by,
        StopCode.LEFT_AREA: held_by,
        StopCode.HIDDEN_ADDRESS: held_by,
        StopCode.NO_ADDRESS: held_by,
    }


def in_follow_up() -> Mapping[StopCode, Outcome]:
    """To the home while a referral runs: what stops it is a coordinator's task (R1); moot once the referral moved on."""
    return {
        **once_to_person(held_by=Outcome.HOLD_COORDINATORS),
        StopCode.DIED: Outcome.HOLD_COORDINATORS,
        StopCode.MOVED_ON: Outcome.CANCEL,
    }


def to_practice() -> Mapping[StopCode, Outcome]:
    """To the practice while a referral runs."""
    return {
        StopCode.DIED: Outcome.HOLD_COORDINATORS,
        StopCode.DUPLICATE: Outcome.CANCEL,
        StopCode.MERGED: Outcome.HOLD_COORDINATORS,
        StopCode.MOVED_ON: Outcome.CANCEL,
        StopCode.OBJECTS_DOCTOR_COPY: Outcome.HOLD_COORDINATORS,
        StopCode.NO_PRACTICE: Outcome.HOLD_COORDINATORS,
    }


def to_colleagues() -> Mapping[StopCode, Outcome]:
    """To a unit or another programme about a person."""
    return {
        StopCode.DIED: Outcome.HOLD_COORDINATORS,
        StopCode.DUPLICATE: Outcome.CANCEL,
        StopCode.MERGED: Outcome.HOLD_COORDINATORS,
        StopCode.MOVED_ON: Outcome.CANCEL,
    }
