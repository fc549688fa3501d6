"""Invitations of a batch that cannot be written: held already, or tried and refused before it is their turn."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Prefetch, QuerySet

from outreach.models import Letter, LetterMove
from outreach.services.freezing import contact_days_on, letters_written
from outreach.services.held import words_of
from outreach.services.planning import rounds_planned
from screening.models import Batch, Round
from staff.acting import acting
from staff.models import User

KINDS_PACKED = ("invitation",)
MOST_TRIED = 200
WRITTEN = ("frozen", "printed", "sending", "handed_over", "undelivered", "settled")


@dataclass(frozen=True, slots=True)
class Unwritten:
    """One person whose letter cannot be written as things stand, and why."""

    round_id: int
    person_id: int
    name: str
    why: str
    held: bool


@dataclass(frozen=True)
class Tried:
    """Letters with their words, and for each that cannot be written why, by letter."""

    written: list[dict[str, Any]]
    refused: list[Unwritten]


def letters_tried(*, by: User, round_ids: Sequence[int]) -> Tried:
    """Plan and write the invitations of these rounds as they would be written today, and take everything back whole."""
    with transaction.atomic():
        with acting(by) as frame:
            rounds_planned(by=by, frame=frame, round_ids=sorted(round_ids))
            owed = Letter.objects.filter(kind__in=KINDS_PACKED, round__in=round_ids).exclude(
                state__in=["cancelled", "held"]
            )
            ids = list(owed.order_by("round_id").values_list("pk", flat=True))
            written, why = letters_written(ids, today=frame.today, contact_days=contact_days_on(frame.today))
            rows = list(Letter.objects.filter(pk__in=why).select_related("person").order_by("round_id"))
        transaction.set_rollback(True)
    return Tried(written, [_unwritten(row, why[row.pk], held=False) for row in rows])


def batch_unwritten(*, by: User, batch: Batch, round_ids: Sequence[int] | None = None) -> list[Unwritten]:
    """Whose letter of a batch cannot be written: those held, and those refused when tried; of these rounds, or of all that wait.

    Of a whole batch only so many letters that are not written yet are tried.
    """
    waiting = Round.objects.filter(batch=batch, state="kit_due")
    if round_ids is not None:
        waiting = waiting.filter(pk__in=round_ids)
    held = [_unwritten(row, _held_for(row), held=True) for row in _held(waiting)]
    settled = Letter.objects.filter(kind__in=KINDS_PACKED, state__in=[*WRITTEN, "held"], round__in=waiting)
    untried = waiting.exclude(pk__in=settled.values("round_id")).order_by("pk")
    ids = list(untried.values_list("pk", flat=True)[:MOST_TRIED])
    refused = letters_tried(by=by, round_ids=ids).refused if ids else []
    return sorted([*held, *refused], key=lambda one: one.round_id)


def _held(waiting: QuerySet[Round]) -> QuerySet[Letter]:
    holds = LetterMove.objects.filter(event="hold").order_by("-seq")
    found = Letter.objects.filter(kind__in=KINDS_PACKED, state="held", round__in=waiting)
    return found.select_related("person").prefetch_related(Prefetch("moves", holds, to_attr="holds"))


def _held_for(letter: Letter) -> str:
    holds: list[LetterMove] = getattr(letter, "holds", [])
    return holds[0].reason if holds else ""


def _unwritten(letter: Letter, code: str, *, held: bool) -> Unwritten:
    return Unwritten(letter.round_id or 0, letter.person_id, str(letter.person), words_of(code), held)
