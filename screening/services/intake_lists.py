"""Lists beside the bench: notes enclosed, where the set-asides lie, and what each accession rule cost this year."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db import connection
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from screening.accession_words import Reason
from screening.models import Return, Tray
from screening.services.intake_questions import reason_in_words
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

YEAR = 365
RULE_COSTS = """
WITH aside AS (
    SELECT m.subject_id, m.reason FROM screening_returnmove m
    WHERE m.occurred_at >= %(since)s AND m.reason <> '' AND (m.event IN ('set_aside', 'reject')
        OR m.event = 'reschedule' AND m.from_state = 'set_aside')
), first AS (SELECT subject_id, reason FROM aside GROUP BY subject_id, reason)
SELECT f.reason, count(*), count(*) FILTER (WHERE b.state = 'ready'), count(*) FILTER (WHERE b.state = 'unsuitable'),
    count(*) FILTER (WHERE b.state = 'set_aside')
FROM first f JOIN screening_return b ON b.id = f.subject_id WHERE b.state <> 'undone' AND f.reason = ANY(%(reasons)s)
GROUP BY f.reason ORDER BY 2 DESC, 1
"""


@dataclass(frozen=True, slots=True)
class RuleCost:
    """What one accession rule cost: kits it stopped, and what became of them."""

    reason: str
    kits: int
    rescued: int
    unsuitable: int
    waiting: int

    @property
    def words(self) -> Any:
        """The rule by the sentence it gives."""
        return reason_in_words(self.reason)


def rule_costs(today: date) -> list[RuleCost]:
    """What each rule cost over the last year, the dearest first; a kit that two rules stopped counts in both."""
    params: dict[str, Any] = {
        "since": today - timedelta(days=YEAR),
        "reasons": [reason.value for reason in Reason],
    }
    with connection.cursor() as cursor:
        cursor.execute(RULE_COSTS, params)
        return [RuleCost(*row) for row in cursor.fetchall()]


def notes_unread() -> QuerySet[Return]:
    """Returns with a note enclosed that nobody has read yet, by the day they arrived."""
    return (
        Return.objects.filter(remark__contains="note_enclosed", note_read_at=None)
        .exclude(state="undone")
        .select_related("kit__round__person__merged_into")
        .order_by("arrived_on", "pk")
    )


def note_read(*, by: User, return_id: int) -> Return:
    """Record that the note enclosed with a kit was read and dealt with; RoundbookError if it was already."""
    with acting(by, reason="enclosed note read") as frame:
        back = Return.objects.select_for_update(of=("self",), no_key=True).filter(pk=return_id).first()
        if back is None or "note_enclosed" not in back.remark or back.note_read_at is not None:
            raise RoundbookError("note_gone", _("Somebody has dealt with this note already."))
        back.note_read_at, back.note_read_by = frame.now, by
        back.save(update_fields=["note_read_at", "note_read_by"])
        return back


@dataclass(frozen=True, slots=True)
class Slot:
    """One place of a rack; without a return nothing lies there any more."""

    position: int
    back: Return | None


@dataclass(frozen=True, slots=True)
class RackMap:
    """A rack that still holds set-asides, place by place."""

    tray: Tray
    slots: list[Slot]

    @property
    def held(self) -> int:
        """How many of its places still hold a kit."""
        return sum(slot.back is not None for slot in self.slots)


def racks_of_set_asides() -> list[RackMap]:
    """Where the set-asides lie: each rack with one of them, oldest first, each place up to the last that was given."""
    lying: dict[Tray, dict[int, Return]] = {}
    rows = Return.objects.filter(state="set_aside", tray__isnull=False).select_related("tray", "kit")
    for back in rows.order_by("tray__opened_at", "tray_id", "position"):
        if back.tray is not None and back.position is not None:
            lying.setdefault(back.tray, {})[back.position] = back
    return [
        RackMap(tray, [Slot(n, held.get(n)) for n in range(1, tray.filled + 1)])
        for tray, held in lying.items()
    ]
