"""Rounds that wait for the phone desk: no kit of theirs can give a result, and no rule sends another."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection, transaction
from django.utils.translation import gettext_lazy as _

from screening.access import people_listed
from screening.models import Round
from screening.services import batches_sql as sql
from screening.services.policies import policy_on
from screening.services.rounds import rounds_close
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

MOST_SHOWN = 200
NO_USABLE_SAMPLE, UNDELIVERABLE = "no_usable_sample", "undeliverable"
WHY = {
    "undelivered": _("The post brought its kit back. Find a newer address, then send another kit."),
    "no_more_replacements": _(
        "Its kits could not be used, and all replacements are used up. Phone the person."
    ),
    "no_kit_left": _(
        "Its kit came back and could not be tested, and no other is sent by rule. Phone the person."
    ),
    "kit_still_out": _(
        "One kit came back and could not be tested; another is still with the person. Phone her."
    ),
}


@dataclass(frozen=True, slots=True)
class WaitingRound:
    """One round that waits, whose it is, why, and until when."""

    round_id: int
    person_id: int
    name: str
    code: str
    due_on: date
    kits: int
    serial: str

    @property
    def why(self) -> Any:
        """Why it waits, in words, with what to do."""
        return WHY[self.code]

    @property
    def may_be_sent_another(self) -> bool:
        """Whether a person may send another kit after looking at the address."""
        return self.code == "undelivered"

    @property
    def close_reason(self) -> str:
        """The reason with which it may be closed."""
        return UNDELIVERABLE if self.code == "undelivered" else NO_USABLE_SAMPLE


def waiting_rounds(*, by: User) -> tuple[list[WaitingRound], int]:
    """The rounds that wait for the phone desk, the most overdue first, and how many there are; journalled."""
    with transaction.atomic():
        rows, total = _read(None)
        people_listed(by=by, person_ids=[row.person_id for row in rows], place="waiting-rounds")
    return rows, total


def _read(round_id: int | None) -> tuple[list[WaitingRound], int]:
    params = {
        "rounds": None if round_id is None else [round_id], "most": MOST_SHOWN,
        "max_replacements": policy_on(clock.today()).max_replacements,
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(sql.WAITS_FOR_THE_PHONE_DESK, params)
        found = cursor.fetchall()
    return [WaitingRound(*row[1:]) for row in found], found[0][0] if found else 0


def waiting_round_close(*, by: User, round_id: int) -> Round:
    """Close a round that waits for the phone desk: no usable sample, or undeliverable; RoundbookError if it moved on."""
    with acting(by, reason="closed by the phone desk"):
        round_ = Round.objects.select_for_update(of=("self",), no_key=True).filter(pk=round_id).first()
        waiting, _total = _read(round_id)
        if round_ is None or not waiting:
            raise RoundbookError(
                "not_waiting", _("This round no longer waits for the phone desk. Look at the list again.")
            )
        rounds_close(by=by, round_ids=[round_.pk], reason=waiting[0].close_reason, rule="R12")
        round_.refresh_from_db()
        return round_
