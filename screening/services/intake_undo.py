"""Answers given again from stored scans, and the undoing of the last scan of a session."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from screening.collection import date_in_words
from screening.models import Kit, Return, Round, Scan, Tray
from screening.services.due import due_dates_refresh
from screening.services.intake_answers import (
    ACCEPTED,
    BENCH_SENTENCES,
    COUNTED,
    BenchOutcome,
    Earlier,
    ScanAnswer,
    remarks_in_words,
    sentence_for,
)
from screening.services.intake_cards import Words, heard_in_words
from screening.services.intake_places import place_of
from screening.services.intake_sql import who_of
from screening.services.locks import kits_lock, round_lock
from staff.ledger.moves import make_move
from staff.roles import Pool

if TYPE_CHECKING:
    from screening.services.intake_desk import Bench


def answer_again(bench: Bench, stored: Earlier) -> ScanAnswer:
    """The answer to a scan that is already stored; a different text under its number is refused unstored."""
    if stored.raw != bench.heard.raw[:200] or stored.window != bench.heard.window[:12]:
        return replace(_plain(bench, BenchOutcome.REFUSED, "sequence_taken"), stored=False)
    name, born = (stored.name, stored.birth_year) if stored.name else who_of(stored.serial)
    answer = ScanAnswer(
        stored.outcome, stored.code, sentence_for(stored.outcome, stored.code, stored.raw), stored.sequence,
        serial=stored.serial, name=name, birth_year=born, counts=bench.counts, earlier=bench.earlier,
        needs_acknowledge=bench.alarm_sequence == stored.sequence,
    )  # fmt: skip
    latest = bench.earlier[0].sequence == stored.sequence
    answer = replace(answer, waiting_for_day=latest and stored.outcome == BenchOutcome.SHOWN)
    return _with_return(answer, stored) if stored.kit_id and stored.outcome in PLACED else answer


PLACED = ACCEPTED | {BenchOutcome.SET_ASIDE, BenchOutcome.STOP, BenchOutcome.MADE_UP, BenchOutcome.OWED_ASIDE}


def _with_return(answer: ScanAnswer, stored: Earlier) -> ScanAnswer:
    returns = Return.objects.filter(kit_id=stored.kit_id or 0).exclude(state="undone").select_related("tray")
    back = returns.order_by("-pk").first()
    if back is None:
        return answer
    dated = back.label_day and back.collected_earliest == back.collected_latest
    words = date_in_words(back.collected_latest, back.arrived_on) if dated else ""
    return replace(
        answer, day_words=words, remark=remarks_in_words(back.remark),
        position=place_of(back.tray, back.position),
    )  # fmt: skip


def answer_standing(bench: Bench) -> ScanAnswer:
    """What a bare Enter gets: the standing alarm or kit again; nothing is stored or cleared."""
    if bench.alarm_sequence is not None:
        return with_alarm(bench, _plain(bench, BenchOutcome.REFUSED, "alarm_waiting"), bench.alarm_sequence)
    if bench.pending is None:
        return _plain(bench, BenchOutcome.IDLE, "ready")
    shown = _plain(bench, BenchOutcome.SHOWN, "compare")
    kit = bench.pending
    name, born = (kit.name, kit.birth_year) if kit.name else who_of(kit.serial)
    return replace(shown, serial=kit.serial, name=name, birth_year=born, waiting_for_day=True)


def with_alarm(bench: Bench, answer: ScanAnswer, sequence: int) -> ScanAnswer:
    """A refusal that repeats whose kit raised the alarm and why."""
    raised = next((one for one in bench.earlier if one.sequence == sequence), None)
    if raised is None:
        return replace(answer, needs_acknowledge=True)
    name, born = (raised.name, raised.birth_year) if raised.name else who_of(raised.serial)
    return replace(
        answer, needs_acknowledge=True, name=name, birth_year=born, serial=raised.serial,
        remark=sentence_for(raised.outcome, raised.code, raised.raw),
    )  # fmt: skip


def _plain(bench: Bench, outcome: str, code: str) -> ScanAnswer:
    return ScanAnswer(
        outcome, code, BENCH_SENTENCES[code], bench.counts.sequence, counts=bench.counts, earlier=bench.earlier,
        stored=False,
    )  # fmt: skip


def undo_last(bench: Bench) -> ScanAnswer:
    """Undo the last scan: a kit only shown is dropped, a logged one goes back to how it was.

    Refused in words once the round has moved on, or a new kit is on its way.
    """
    if bench.pending is not None:
        return bench.answer(BenchOutcome.DROPPED, "dropped", **_whose(bench.pending.serial))
    target = _last_counted(bench.session_id)
    if target is None:
        return bench.answer(BenchOutcome.ASK_AGAIN, "nothing_to_undo")
    if target.outcome in NOT_UNDONE:
        return bench.answer(BenchOutcome.ASK_AGAIN, "undo_made_up")
    kits_lock([target.kit_id or 0])
    kit = Kit.objects.filter(pk=target.kit_id or 0).first()
    back = (
        Return.objects.filter(kit=kit, session_id=bench.session_id)
        .exclude(state="undone")
        .select_related("tray")
        .first()
        if kit
        else None
    )
    if target.outcome == BenchOutcome.ALREADY_LOGGED or kit is None or back is None:
        return _undone(bench, target, "uncounted", kit)
    place, refusal = place_of(back.tray, back.position), _undo_return(bench, back, kit)
    if refusal:
        return bench.answer(BenchOutcome.ASK_AGAIN, refusal, **_whose(kit.serial))
    return _undone(bench, target, "undone", kit, place)


NOT_UNDONE = frozenset({BenchOutcome.MADE_UP, BenchOutcome.OWED_ASIDE, BenchOutcome.OWED_STOP})


def _whose(serial: str) -> dict[str, Any]:
    """Serial, name and birth year of a kit, to be shown with what became of it."""
    name, born = who_of(serial)
    return {"serial": serial, "name": name, "birth_year": born}


VERDICTS: dict[str, Words] = {
    BenchOutcome.ACCEPTED: _("accepted"),
    BenchOutcome.ACCEPTED_WITH_REMARK: _("accepted"),
    BenchOutcome.SET_ASIDE: _("set aside"),
    BenchOutcome.STOP: _("stopped"),
    BenchOutcome.NOT_OURS: _("not ours"),
    BenchOutcome.ALREADY_LOGGED: _("already logged"),
}


def _undone(bench: Bench, target: Scan, words: str, kit: Kit | None, place: Words = "") -> ScanAnswer:
    """Say what was undone: whose kit, its verdict and where it lies."""
    verdict = VERDICTS[target.outcome]
    sentence = BENCH_SENTENCES[words]
    if words == "undone" and place:
        sentence = format_lazy(cast(Any, BENCH_SENTENCES["undone_from"]), verdict=verdict, place=place)
    elif words == "uncounted":
        heard = kit.serial if kit else heard_in_words(target.raw)
        sentence = format_lazy(cast(Any, BENCH_SENTENCES["uncounted_what"]), heard=heard, verdict=verdict)
    whose = _whose(kit.serial) if kit else {}
    after = bench.counts.without(target.outcome, target.kit_id)
    return bench.answer(
        BenchOutcome.UNDONE, target.outcome, sentence=sentence, about=target.kit_id,
        counts=replace(after, sequence=bench.heard.sequence), **whose,
    )  # fmt: skip


def _last_counted(session_id: int) -> Scan | None:
    """The latest counted scan that is not undone; each undo takes away the counted scan before it."""
    skip = 0
    for scan in _latest_first(session_id):
        if scan.outcome == BenchOutcome.UNDONE:
            skip += 1
        elif scan.outcome in COUNTED:
            if skip == 0:
                return scan
            skip -= 1
    return None


def _latest_first(session_id: int) -> Iterator[Scan]:
    """The session's scans a hundred at a time, since mostly the first few are enough."""
    rows, before = Scan.objects.filter(session_id=session_id).order_by("-sequence"), 2**31 - 1
    while page := list(rows.filter(sequence__lt=before)[:100]):
        yield from page
        before = page[-1].sequence


CAME_BACK = ("kit_back", "late_kit")


def _moves_to_undo(round_: Round, kit: Kit) -> bool | None:
    """Whether this kit's scan took the round where it is now; None where the round has moved on since."""
    own = round_.moves.filter(event__in=CAME_BACK, note=kit.serial).order_by("-seq").first()
    if own is None:
        return False
    later = list(round_.moves.filter(seq__gt=own.seq).values_list("event", "note"))
    return True if not later or later == [("unsuitable", kit.serial)] else None


def _undo_return(bench: Bench, back: Return, kit: Kit) -> str:
    """Take a return back through the three ledgers; the code of the refusal where it is too late."""
    tray = back.tray
    if tray is not None and tray.closed_at is not None:
        return "undo_tray_closed"
    round_ = round_lock(kit.round_id)
    if kit.round_id is not None and kit.void_on is None:
        live = Kit.objects.filter(round_id=kit.round_id, void_on=None, state__in=["assigned", "dispatched"])
        if live.exclude(pk=kit.pk).exists():
            return "undo_replaced" if back.state == "unsuitable" else "undo_too_late"
    moved = _moves_to_undo(round_, kit) if round_ is not None else False
    if moved is None or (kit.state == "returned" and kit.dispatched_on is None):
        return "undo_too_late"
    make_move(back, "undo", reason="scan_undone")
    if tray is not None and tray.filled == back.position:
        Tray.objects.filter(pk=tray.pk).update(filled=tray.filled - 1)
    if kit.state == "returned":
        make_move(kit, "return_undone", note=f"return {back.pk}")
    if round_ is not None and moved:
        due = max(back.due_on or back.arrived_on, back.arrived_on)
        make_move(round_, "kit_back_undone", due_on=due, pool=Pool.OFFICE.value, note=kit.serial)
        due_dates_refresh(by=bench.frame.by, person_ids=[round_.person_id])
    return ""


def sentence_of_alarm(raised: Earlier | None) -> Words:
    """Why an alarm was raised."""
    return sentence_for(raised.outcome, raised.code, raised.raw) if raised else ""
