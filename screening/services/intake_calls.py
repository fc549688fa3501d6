"""Ringing about a set-aside: what became of each attempt, when to ring again, and who else is at the address."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from enum import StrEnum

from django.utils.translation import gettext_lazy as _

from screening.collection import CollectionError, date_in_words, infer_day
from screening.models import Kit, Person, Return
from screening.services.intake_cards import Words
from screening.services.intake_effects import first_possible_day
from screening.services.intake_solve import reason_of
from screening.services.intake_sql import closed_days_read, kits_read
from screening.states import KIT
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool
from staff.working_days import working_days_after


class Call(StrEnum):
    """What became of a call."""

    NO_ANSWER = "no_answer"
    MACHINE = "machine"
    WRONG_NUMBER = "wrong_number"
    CALL_BACK = "call_back"


CALL_WORDS: dict[str, Words] = {
    Call.NO_ANSWER: _("Nobody answered"),
    Call.MACHINE: _("Answering machine: only our name and number were left"),
    Call.WRONG_NUMBER: _("Wrong number"),
    Call.CALL_BACK: _("Reached, ring again as agreed"),
}


def call_record(
    *, by: User, return_: Return, call: str, on: date | None = None, at: time | None = None, note: str = ""
) -> Return:
    """Record an attempt to ring; the next one is due on the next working day, or as agreed (R19).

    RoundbookError for an unknown outcome, an agreed day that is past, missing or later than the sample lasts, or a
    return solved meanwhile.
    """
    if call not in set(Call):
        raise RoundbookError("unknown_call", _("Choose what became of the call."))
    with acting(by, reason="set-aside: call") as frame:
        rows = Return.objects.select_related("kit__lot__kit_model")
        back = rows.select_for_update(of=("self",), no_key=True).get(pk=return_.pk)
        if back.state != "set_aside":
            raise RoundbookError(
                "already_solved", _("Somebody has already solved this one. Go back to the list.")
            )
        next_day = working_days_after(frame.today, 1, closed_days_read(back.delivery_id, frame.today))
        due = _agreed(back, on, frame.today, next_day) if call == Call.CALL_BACK else next_day
        make_move(
            back, "reschedule", due_on=due, due_time=at if call == Call.CALL_BACK else None,
            pool=Pool.PHONE_DESK.value, reason=reason_of(back), rule=call, note=note.strip()[:400],
        )  # fmt: skip
        back.refresh_from_db()
        return back


def _agreed(back: Return, on: date | None, today: date, next_day: date) -> date:
    """The day agreed for another call, if one may be agreed for it."""
    if on is None or on < today:
        raise RoundbookError("call_back_when", _("Say on which day to ring again, today or later."))
    last = max(sample_lasts_until(back), next_day)
    if on > last:
        raise RoundbookError(
            "call_back_too_late",
            _("On that day the sample is too old to be measured. Ring again on %(last)s at the latest.")
            % {"last": date_in_words(last, today)},
        )
    return on


def sample_lasts_until(back: Return) -> date:
    """The last day on which the sample may be measured, if it was taken on the latest day possible."""
    return back.collected_latest + timedelta(days=back.kit.lot.kit_model.sample_age_limit_days)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One earlier attempt, as the page lists it."""

    at: object
    who: str
    words: Words
    note: str


def attempts_of(back: Return) -> list[Attempt]:
    """Every attempt to ring about a return, oldest first."""
    moves = back.moves.filter(event="reschedule").select_related("actor").order_by("seq")
    return [
        Attempt(move.occurred_at, move.actor.full_name, CALL_WORDS.get(move.rule, _("Put off")), move.note)
        for move in moves
    ]


MISSED = frozenset({Call.NO_ANSWER, Call.MACHINE, Call.WRONG_NUMBER})
"""Calls that reached nobody; after the second a letter asks the question, where letters are written."""


def missed_calls(back: Return) -> int:
    """How many calls about a return reached nobody."""
    return back.moves.filter(event="reschedule", rule__in=MISSED).count()


@dataclass(frozen=True, slots=True)
class Housemate:
    """Somebody else at the address, with the kit that may have been swapped."""

    person: Person
    serial: str
    state: Words


def housemates(person: Person) -> list[Housemate]:
    """Others at the same address whose kit is out, or back and not yet reported."""
    if not person.postcode:
        return []
    kits = (
        Kit.objects.filter(
            round__person__postcode=person.postcode, round__person__address_1=person.address_1,
            round__state__in=["kit_due", "kit_out", "result_due"], state__in=["assigned", "dispatched", "returned"],
        )
        .exclude(round__person=person)
        .select_related("round__person")
        .order_by("pk")[:10]
    )  # fmt: skip
    return [
        Housemate(kit.round.person, kit.serial, KIT.label(kit.state)) for kit in kits if kit.round is not None
    ]


def day_suggested(back: Return) -> date | None:
    """The one day that a single slip on the label would explain; a person confirms it (R3). Call in a transaction."""
    if not back.label_day:
        return None
    kit = kits_read([back.kit.serial])[back.kit.serial]
    try:
        return infer_day(back.label_day, back.arrived_on, first_possible_day(kit, back.arrived_on)).suggestion
    except CollectionError:
        return None
