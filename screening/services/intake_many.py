"""Many returns of one delivery logged at once, by the same rules as single scans, written set-based."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from django.utils.translation import gettext_lazy as _

from screening.accession_facts import Outcome, ReturnState
from screening.accession_words import Reason
from screening.collection import CollectionError, infer_day
from screening.models import Delivery
from screening.serials import SerialError, serial_read
from screening.services.intake_cards import Heard, marks_read, understand
from screening.services.intake_effects import (
    Effects,
    KitFacts,
    effects_of,
    first_possible_day,
    kit_facts_after,
    verdict_on,
)
from screening.services.intake_reopening import reopened_dates_refresh
from screening.services.intake_sql import closed_days_read, kits_read, returns_write
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

Row = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class LoggedMany:
    """What became of each row: how many of each outcome, and row by row (serial, outcome, reason or slip)."""

    outcomes: Counter[str] = field(default_factory=Counter)
    rows: tuple[tuple[str, str, str], ...] = ()

    @property
    def logged(self) -> int:
        """Rows that became a return."""
        written = {Outcome.ACCEPTED, Outcome.ACCEPTED_WITH_REMARK, Outcome.SET_ASIDE}
        return sum(self.outcomes[outcome.value] for outcome in written) + sum(
            1
            for _serial, outcome, code in self.rows
            if outcome == Outcome.STOP and code != Reason.UNKNOWN_SERIAL
        )


def returns_log_many(*, by: User, delivery: Delivery, rows: Sequence[Row]) -> LoggedMany:
    """Log many kits of a delivery; each row is (serial, keyed day or "", condition or "").

    A row without a day whose kit needs one is answered `ask_again` and not logged, like a slip in keying.
    Safe to run twice: kits that are in are `already_logged`. Keep batches to some hundreds of rows.
    RoundbookError names a condition that is not in the list.
    """
    with acting(by) as frame:
        kits = kits_read([_serial(row[0]) for row in rows])
        closed = closed_days_read(delivery.pk, frame.today)
        rounds: dict[int, list[KitFacts]] = {}
        for known in kits.values():
            if known.round_id is not None:
                rounds.setdefault(known.round_id, []).append(known)
        answers, many = [], []
        for raw, keyed, condition in rows:
            kit = kits.get(_serial(raw))
            outcome, code, effects = _one(
                kit, raw, keyed.strip(), condition, delivery.arrived_on, frame.today, closed
            )
            answers.append((raw, outcome, code))
            if effects is not None and kit is not None:
                many.append(effects)
                _carry_over(kit, effects, rounds)
        if many:
            returns_write(many, delivery=delivery.pk)
            reopened_dates_refresh(by=by, many=many)
    return LoggedMany(Counter(outcome for _raw, outcome, _code in answers), tuple(answers))


def _serial(raw: str) -> str:
    try:
        return serial_read(raw)
    except SerialError:
        return ""


def _one(
    kit: KitFacts | None,
    raw: str,
    keyed: str,
    condition: str,
    arrived_on: date,
    today: date,
    closed: list[date],
) -> tuple[str, str, Effects | None]:
    if kit is None:
        return _NO_KIT[understand(raw).kind]
    try:
        marks = marks_read(condition)
        day = infer_day(keyed, arrived_on, first_possible_day(kit, arrived_on)) if keyed else None
    except CollectionError as slip:
        return "ask_again", slip.code.value, None
    except ValueError as error:
        raise RoundbookError("unknown_condition", _("Choose what you see from the list."), row=raw) from error
    verdict = verdict_on(kit, arrived_on, today, day, marks)
    if verdict.reason is Reason.NO_DATE_KEYED:
        return "ask_again", verdict.reason.value, None
    effects = None
    if verdict.return_state is not ReturnState.NONE:
        effects = effects_of(
            kit, verdict, arrived_on=arrived_on, today=today, day=day, keyed=keyed, closed=closed
        )
    return verdict.outcome.value, verdict.reason.value, effects


_ASK_AGAIN = ("ask_again", "misread", None)
_NO_KIT: dict[Heard, tuple[str, str, None]] = dict.fromkeys(Heard, _ASK_AGAIN) | {
    Heard.SERIAL: (Outcome.STOP.value, Reason.UNKNOWN_SERIAL.value, None),
    Heard.FOREIGN: (Outcome.NOT_OURS.value, Reason.NOT_OURS.value, None),
}


def _carry_over(kit: KitFacts, effects: Effects, rounds: dict[int, list[KitFacts]]) -> None:
    """Later rows of the batch see what this row has decided."""
    kit.has_return = True
    for other in rounds.get(kit.round_id or 0, []):
        if other is not kit:
            kit_facts_after(other, effects)
