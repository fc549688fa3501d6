"""Kits that change hands at the desk: one given across the counter, and envelopes the post brought back."""

from datetime import timedelta

from django.db import IntegrityError
from django.db.models import Max
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from screening.models import Kit, Round
from screening.serials import SerialError, serial_read
from screening.services.batches import kit_reported_lost, kit_undelivered
from screening.services.intake_cards import Words
from screening.services.intake_sql import kits_void
from screening.services.locks import kits_of_round_lock
from screening.services.policies import policy_on
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool

VOID_FOR_HAND_OVER = "another handed over"


def _numbered(raw: str) -> list[int]:
    """The number of the kit with this serial, where there is one."""
    try:
        return list(Kit.objects.filter(serial=serial_read(raw)).values_list("pk", flat=True))
    except SerialError:
        return []


def _kit_of(raw: str) -> Kit:
    try:
        serial = serial_read(raw)
    except SerialError as error:
        raise RoundbookError(error.code.value, error.sentence) from error
    kit = (
        Kit.objects.select_for_update(of=("self",), no_key=True)
        .select_related("lot", "round")
        .filter(serial=serial)
        .first()
    )
    if kit is None:
        raise RoundbookError("kit_unknown", _("No kit with this serial is in the book. Tell the office."))
    return kit


def kit_hand_over(*, by: User, round_: Round, raw: str) -> Kit:
    """Give the person a kit across the counter: it is theirs from today, and the one on its way before is void.

    RoundbookError when the round waits for no kit, the person has died, the kit is not in stock, its lot is
    quarantined or too short in date, or every replacement of the round is used up.
    """
    try:
        with acting(by, reason="kit handed over in person") as frame:
            kits_of_round_lock(round_.pk, *_numbered(raw))
            found = (
                Round.objects.select_for_update(of=("self",), no_key=True)
                .select_related("person")
                .get(pk=round_.pk)
            )
            if found.person.deceased_on is not None or found.state not in ("kit_due", "kit_out"):
                raise RoundbookError(
                    "round_needs_no_kit", _("This round waits for no kit. Look at its state.")
                )
            kit = _kit_of(raw)
            policy = policy_on(frame.today)
            _fit_to_give(kit, frame, policy.kit_minimum_life_days)
            sent = found.kits.filter(dispatched_on__isnull=False).count()
            if sent > policy.max_replacements:
                raise RoundbookError(
                    "no_more_replacements",
                    _("All replacements of this round are used up. Ask the medical lead."),
                )
            _end_live_kit(by, found)
            ordinal = (found.kits.aggregate(last=Max("ordinal"))["last"] or 0) + 1
            Kit.objects.filter(pk=kit.pk).update(dispatched_on=frame.today)
            make_move(kit, "assign", round_id=found.pk, ordinal=ordinal)
            make_move(kit, "dispatch", note="handed over in person")
            found.refresh_from_db()
            first = found.dispatched_on or frame.today
            Round.objects.filter(pk=found.pk, dispatched_on=None).update(dispatched_on=frame.today)
            due = max(
                first + timedelta(days=policy.closing_days),
                frame.today + timedelta(days=policy.closing_days_after_replacement),
            )
            make_move(found, "kit_sent", due_on=due, pool=Pool.OFFICE.value, rule="R12", note=kit.serial)
            return kit
    except IntegrityError as error:
        raise RoundbookError(
            "kit_not_free", _("The kit or the round changed meanwhile. Look again.")
        ) from error


def _fit_to_give(kit: Kit, frame: Acting, life: int) -> None:
    if kit.state != "in_stock" or kit.void_on is not None:
        raise RoundbookError(
            "kit_not_in_stock", _("This kit is not in stock: it is somebody's. Take another.")
        )
    if kit.lot.quarantined:
        raise RoundbookError("lot_quarantined", _("The lot of this kit is quarantined. Take another kit."))
    if kit.lot.expires_on < frame.today + timedelta(days=life):
        raise RoundbookError("lot_too_short", _("This kit expires too soon. Take one that lasts longer."))


def _end_live_kit(by: User, round_: Round) -> None:
    """The kit that is on its way, or assigned and not yet sent, is replaced by the one in hand."""
    live = round_.kits.filter(void_on=None, state__in=["assigned", "dispatched"]).first()
    if live is None:
        return
    if live.state == "dispatched":
        kit_reported_lost(by=by, kit=live, note="another was handed over in person")
    else:
        kits_void([live.pk], VOID_FOR_HAND_OVER)


def undelivered_scan(*, by: User, raw: str) -> Kit:
    """An envelope the post brought back, by the serial of the kit in it; a second scan changes nothing.

    A round that waits for this kit goes to the phone desk to find a newer address. RoundbookError for a kit that is not with its person.
    """
    with acting(by, reason="post came back undelivered"):
        kit = _kit_of(raw)
        if kit.state == "undelivered":
            return kit
        if kit.state != "dispatched":
            raise RoundbookError(
                "kit_not_out",
                _("By the book this kit is not on its way to anybody. Put it aside for the office."),
            )
        kit_undelivered(by=by, kit=kit)
        kit.refresh_from_db()
        return kit


_ANOTHER_CAME = _("Another kit of its round came back, so nobody looks for a newer address.")
_AFTER_UNDELIVERED: dict[str, Words] = {
    "kit_due": _("Its round already waits for another kit, which the office sends."),
    "kit_out": _("Another kit of its round is out, so nobody looks for a newer address."),
    "result_due": _ANOTHER_CAME,
    "follow_up": _ANOTHER_CAME,
    "closed": _("Its round is closed, so no other kit is sent and nobody looks for a newer address."),
}
"""By the state of the round, where the phone desk is not told; said without a result, which the desk need not know."""


def undelivered_in_words(kit: Kit) -> Words:
    """What follows for the round of a kit that came back undelivered."""
    round_ = kit.round
    if round_ is None or (round_.state == "kit_due" and round_.pool == Pool.PHONE_DESK):
        return _("The phone desk looks for a newer address.")
    return format_lazy(
        "{follows} {otherwise}",
        follows=_AFTER_UNDELIVERED[round_.state],
        otherwise=_("If the envelope bears a newer address, tell the phone desk."),
    )
