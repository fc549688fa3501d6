"""Solving a set-aside: the guided question, each answer's consequence before it is saved, and the saving."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from django.db import IntegrityError
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from screening.accession_words import Reason
from screening.collection import CollectionError, age_days, date_in_words, expired, infer_day, too_old
from screening.models import Return, Round
from screening.services.due import due_dates_refresh
from screening.services.intake_cards import Words
from screening.services.intake_effects import RESULT_DUE_DAYS, KitFacts, first_possible_day
from screening.services.intake_sql import closed_days_read, kits_read, kits_void
from screening.services.intake_swaps import VOID_FOR_SWAP, other_kit
from screening.services.locks import return_lock
from screening.services.policies import policy_on
from screening.services.rounds import rounds_close
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool
from staff.working_days import working_days_after


class Answer(StrEnum):
    """What was found out about a set-aside."""

    DAY_TOLD = "day_told"
    ACCEPT = "accept"
    UNDATED = "undated"
    UNSUITABLE = "unsuitable"
    SWAPPED = "swapped"
    CALL_LATER = "call_later"


@dataclass(frozen=True, slots=True)
class Consequence:
    """What an answer would do: whether it may be given, whether the sample goes to the bench, and in words."""

    allowed: bool
    fit: bool
    sentence: Words
    code: str = ""
    earliest: date | None = None
    latest: date | None = None
    replace: bool = False


NEVER_TESTED = frozenset({Reason.DIED.value, Reason.NOT_ASSIGNED.value, Reason.IDENTITY_IN_DOUBT.value})
NOT_WITHOUT_LIFTING = Reason.LOT_QUARANTINED.value


def reason_of(back: Return) -> str:
    """Why a return is set aside: the reason it was given last."""
    move = (
        back.moves.filter(event__in=["set_aside", "reschedule"]).exclude(reason="").order_by("-seq").first()
    )
    return move.reason if move else ""


def consequence(*, back: Return, answer: str, day: str = "", today: date) -> Consequence:
    """What this answer would do today, in words; nothing is written. Call inside a transaction."""
    kit = kits_read([back.kit.serial])[back.kit.serial]
    return _consequence(back, kit, answer, day, today)


def _consequence(back: Return, kit: KitFacts, answer: str, day: str, today: date) -> Consequence:
    if answer in (Answer.UNSUITABLE, Answer.SWAPPED):
        return _unfit(kit, reason_of(back))
    if answer == Answer.CALL_LATER:
        return Consequence(True, False, _("It stays set aside until the next working day."))
    refusal = _refusal(back, kit)
    if refusal:
        return refusal
    if answer == Answer.DAY_TOLD:
        return _told(back, kit, day, today)
    if answer == Answer.UNDATED:
        return _aged(back, kit, first_possible_day(kit, back.arrived_on), back.arrived_on, today)
    if answer == Answer.ACCEPT:
        return _as_it_stands(back, kit, today)
    raise RoundbookError("unknown_answer", _("Choose one of the answers on the page."), answer=answer)


def _refusal(back: Return, kit: KitFacts) -> Consequence | None:
    reason = reason_of(back)
    if kit.person_died or reason in NEVER_TESTED:
        return Consequence(False, False, _("This kit may not be tested. Mark it unsuitable."), "never_tested")
    if kit.lot_quarantined:
        return Consequence(
            False, False, _("Its lot is quarantined. Wait until the laboratory lifts that, or mark it unsuitable."),
            NOT_WITHOUT_LIFTING,
        )  # fmt: skip
    return None


def _told(back: Return, kit: KitFacts, day: str, today: date) -> Consequence:
    first = first_possible_day(kit, back.arrived_on)
    try:
        told = infer_day(day, back.arrived_on, first)
    except CollectionError as error:
        return Consequence(False, False, error.sentence, error.code.value)
    if told.set_aside is not None or told.date is None:
        said = told.set_aside.sentence if told.set_aside else _("Key the day the person told you.")
        return Consequence(False, False, said, told.set_aside or "no_day")
    return _aged(back, kit, told.date, told.date, today)


def _as_it_stands(back: Return, kit: KitFacts, today: date) -> Consequence:
    """Accept with the day already keyed; without one the day is asked for."""
    if not back.label_day or back.collected_earliest != back.collected_latest:
        return Consequence(
            False,
            False,
            _("No usable day is stored for it. Look at the label or ask for the day."),
            "day_missing",
        )
    return _aged(back, kit, back.collected_earliest, back.collected_latest, today)


def _aged(back: Return, kit: KitFacts, earliest: date, latest: date, today: date) -> Consequence:
    used, limit = age_days(earliest, today), kit.age_limit_days
    unfit = expired(latest, kit.lot_expires_on) or too_old(earliest, today, limit)
    if unfit and kit.report_high_from_unfit:
        sentence = _(
            "To the bench, past its age or expiry: only a result at or above counts, otherwise a new kit is sent."
        )
        return Consequence(True, True, sentence, "", earliest, latest)
    if expired(latest, kit.lot_expires_on):
        after = _unfit(kit, Reason.EXPIRED.value)
        return Consequence(True, False, _joined(_("The kit had expired by then."), after.sentence), Reason.EXPIRED.value,
                           earliest, latest, after.replace)  # fmt: skip
    if too_old(earliest, today, limit):
        after = _unfit(kit, Reason.OVER_AGE.value)
        old = format_lazy(_("Too old: {used} of {limit} days used."), used=used, limit=limit)
        return Consequence(
            True, False, _joined(old, after.sentence), Reason.OVER_AGE.value, earliest, latest, after.replace
        )
    words = date_in_words(earliest, back.arrived_on)
    worst = _("from {day} at worst") if earliest != latest else _("from {day}")
    counted = format_lazy(worst, day=words)
    sentence = format_lazy(
        _("To the bench: {used} of {limit} days used, counted {counted}."),
        used=used,
        limit=limit,
        counted=counted,
    )
    return Consequence(True, True, sentence, "", earliest, latest)


def _joined(one: Words, other: Words) -> Words:
    return format_lazy("{one} {other}", one=one, other=other)


def _unfit(kit: KitFacts, reason: str) -> Consequence:
    """What marking a kit unsuitable does to its round."""
    if kit.person_died:
        return Consequence(True, False, _("Not tested. The round closes: the person has died."), reason)
    if not _waits_for_this_kit(kit):
        return Consequence(True, False, _("Not tested. The round goes on without this kit."), reason)
    if kit.kits_of_round - 1 >= kit.max_replacements:
        return Consequence(
            True,
            False,
            _("Not tested. No replacement is left in this round; the phone desk decides."),
            reason,
        )
    return Consequence(
        True, False, _("Not tested. A new kit is sent with a letter that says why."), reason, replace=True
    )


def _waits_for_this_kit(kit: KitFacts) -> bool:
    return (
        kit.round_state == "result_due"
        and not kit.other_kit_in
        and not kit.others_out
        and not kit.others_ready
    )


def return_solve(
    *,
    by: User,
    return_: Return,
    answer: str,
    day: str = "",
    note: str = "",
    other_serial: str = "",
) -> Return:
    """Give the answer to a set-aside and carry out its consequence, all in one transaction.

    `day` is the day the person told; `other_serial` the other kit of a swap, of the same household. RoundbookError in words where
    the answer cannot be given, or the return was solved meanwhile.
    """
    try:
        with acting(by, reason="set-aside solved") as frame:
            back, kits = return_lock(return_.pk, other_serial)
            if back.state != "set_aside":
                raise RoundbookError(
                    "already_solved", _("Somebody has already solved this one. Go back to the list.")
                )
            kit = kits[back.kit.serial]
            found = _consequence(back, kit, answer, day, frame.today)
            if not found.allowed:
                raise RoundbookError(found.code or "not_allowed", found.sentence)
            _carry_out(frame, back, kit, answer, found, day, note.strip(), other_serial)
            if kit.person_id is not None:
                due_dates_refresh(by=by, person_ids=[kit.person_id])
            return back
    except IntegrityError as error:
        raise RoundbookError(
            "round_not_free", _("The round changed meanwhile, so nothing was saved. Look again.")
        ) from error


def _carry_out(
    frame: Acting,
    back: Return,
    kit: KitFacts,
    answer: str,
    found: Consequence,
    day: str,
    note: str,
    other_serial: str,
) -> None:
    if answer == Answer.CALL_LATER:
        due = working_days_after(frame.today, 1, closed_days_read(back.delivery_id, frame.today))
        make_move(
            back, "reschedule", due_on=due, pool=Pool.PHONE_DESK.value, note=note, reason=reason_of(back)
        )
        return
    if found.earliest is not None and found.latest is not None:
        back.collected_earliest, back.collected_latest = found.earliest, found.latest
        back.label_day = (day or back.label_day or ".")[:24]
    if found.fit:
        back.name_checked = True
        back.save(update_fields=["collected_earliest", "collected_latest", "label_day", "name_checked"])
        make_move(back, "solve", reason=answer, note=note)
        round_to_the_laboratory(frame, kit)
        return
    reason = found.code or reason_of(back)
    if answer == Answer.SWAPPED:
        reason = Reason.SWAP_SUSPECTED.value
        _reject_other(frame, back, other_serial, note)
    make_move(back, "reject", reason=reason, note=note)
    _round_without_this_kit(frame, kit, found, reason)


def round_to_the_laboratory(frame: Acting, kit: KitFacts) -> None:
    """The round of a kit that became ready waits for the laboratory."""
    if kit.round_state == "result_due":
        round_ = Round.objects.get(pk=kit.round_id or 0)
        due = frame.today + timedelta(days=RESULT_DUE_DAYS)
        make_move(round_, "reschedule", due_on=due, pool=Pool.LABORATORY.value, note=kit.serial)


def _round_without_this_kit(frame: Acting, kit: KitFacts, found: Consequence, reason: str) -> None:
    if kit.round_id is None:
        kits_void([kit.kit_id], "never assigned")
        return
    if kit.person_died and kit.round_state in ("kit_due", "kit_out", "result_due"):
        rounds_close(by=frame.by, round_ids=[kit.round_id], reason="died")
        return
    if found.replace:
        round_ = Round.objects.get(pk=kit.round_id)
        make_move(
            round_, "unsuitable", due_on=frame.today, pool=Pool.OFFICE.value, reason=reason, note=kit.serial
        )
    elif kit.round_state == "result_due" and not kit.other_kit_in and not kit.others_ready:
        _round_to_the_phone_desk(frame, kit)


def _round_to_the_phone_desk(frame: Acting, kit: KitFacts) -> None:
    """No replacement is left, or another kit is still out: somebody rings, or waits for that kit until it closes."""
    days = policy_on(frame.today).closing_days_after_replacement if kit.others_out else 1
    make_move(
        Round.objects.get(pk=kit.round_id or 0), "reschedule", due_on=frame.today + timedelta(days=days),
        pool=Pool.PHONE_DESK.value, reason="" if kit.others_out else "no_more_replacements", note=kit.serial,
    )  # fmt: skip


def _reject_other(frame: Acting, back: Return, other_serial: str, note: str) -> None:
    """The other kit of a swap: unsuitable if it is in and not yet measured; void, so that it stops, if it is out."""
    other = other_kit(back, other_serial)
    if other is None:
        return
    kit = kits_read([other.serial])[other.serial]
    its = Return.objects.filter(kit=other, state__in=["set_aside", "ready"]).first()
    if its is None:
        kits_void([other.pk], VOID_FOR_SWAP)
        return
    if its.state == "ready" and kit.round_state != "result_due":
        raise RoundbookError(
            "other_kit_reported",
            _("The other kit already has its result. Tell the medical lead before going on."),
        )
    make_move(its, "reject", reason=Reason.SWAP_SUSPECTED.value, note=note)
    _round_without_this_kit(frame, kit, _unfit(kit, Reason.SWAP_SUSPECTED.value), Reason.SWAP_SUSPECTED.value)
