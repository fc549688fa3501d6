"""Answers given again from stored scans, and the undoing of the last scan of a session."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from screening.collection import date_in_words
from screening.models import Kit, Return, Round, Scan
from screening.services.due import due_dates_refresh
from screening.services.intake_answers import (
    ACCEPTED,
    BENCH_SENTENCES,
    COUNTED,
    BenchOutcome,
    Counts,
    Earlier,
    ScanAnswer,
    place_for,
    remarks_in_words,
    sentence_for,
)
from screening.services.intake_cards import Words
from staff.ledger.moves import make_move
from staff.roles import Pool

if TYPE_CHECKING:
    from screening.services.intake_scan import Bench


def answer_again(bench: Bench, stored: Earlier) -> ScanAnswer:
    """The answer to a scan that is already stored; a different text under its number is refused unstored."""
    if stored.raw != bench.heard.raw[:200]:
        return _plain(bench, BenchOutcome.REFUSED, "sequence_taken")
    counts = _counts_at(bench.session_id, stored.sequence)
    answer = ScanAnswer(
        stored.outcome, stored.code, sentence_for(stored.outcome, stored.code, stored.raw), stored.sequence,
        serial=stored.serial, name=stored.name, birth_year=stored.birth_year, counts=bench.counts,
        earlier=bench.earlier, position=place_for(stored.outcome, stored.kit_id, counts),
        needs_acknowledge=bench.alarm_sequence == stored.sequence,
    )  # fmt: skip
    latest = bench.earlier[0].sequence == stored.sequence
    answer = replace(answer, waiting_for_day=latest and stored.outcome == BenchOutcome.SHOWN)
    return (
        _with_return(answer, stored)
        if stored.kit_id and stored.outcome in ACCEPTED | {BenchOutcome.SET_ASIDE}
        else answer
    )


def _with_return(answer: ScanAnswer, stored: Earlier) -> ScanAnswer:
    back = Return.objects.filter(kit_id=stored.kit_id or 0).exclude(state="undone").order_by("-pk").first()
    if back is None:
        return answer
    dated = back.label_day and back.collected_earliest == back.collected_latest
    words = date_in_words(back.collected_latest, back.arrived_on) if dated else ""
    return replace(answer, day_words=words, remark=remarks_in_words(back.remark))


def _counts_at(session_id: int, sequence: int) -> Counts:
    """The counts as they stood after a scan."""
    counts = Counts()
    rows = Scan.objects.filter(session_id=session_id, sequence__lte=sequence).order_by("sequence")
    for outcome, code, kit_id, seq in rows.values_list("outcome", "code", "kit_id", "sequence"):
        if outcome == BenchOutcome.UNDONE:
            counts = counts.without(code, kit_id)
        else:
            counts = counts.after(outcome, kit_id, seq)
    return counts


def answer_standing(bench: Bench) -> ScanAnswer:
    """What a bare Enter gets: the standing alarm or kit again; nothing is stored or cleared."""
    if bench.alarm_sequence is not None:
        return with_alarm(bench, _plain(bench, BenchOutcome.REFUSED, "alarm_waiting"), bench.alarm_sequence)
    if bench.pending is None:
        return _plain(bench, BenchOutcome.IDLE, "ready")
    shown = _plain(bench, BenchOutcome.SHOWN, "compare")
    return replace(
        shown, serial=bench.pending.serial, name=bench.pending.name, birth_year=bench.pending.birth_year,
        waiting_for_day=True,
    )  # fmt: skip


def with_alarm(bench: Bench, answer: ScanAnswer, sequence: int) -> ScanAnswer:
    """A refusal that repeats whose kit raised the alarm and why."""
    raised = next((one for one in bench.earlier if one.sequence == sequence), None)
    if raised is None:
        return replace(answer, needs_acknowledge=True)
    return replace(
        answer, needs_acknowledge=True, name=raised.name, birth_year=raised.birth_year, serial=raised.serial,
        remark=sentence_for(raised.outcome, raised.code, raised.raw),
    )  # fmt: skip


def _plain(bench: Bench, outcome: str, code: str) -> ScanAnswer:
    return ScanAnswer(
        outcome,
        code,
        BENCH_SENTENCES[code],
        bench.counts.sequence,
        counts=bench.counts,
        earlier=bench.earlier,
    )


def undo_last(bench: Bench) -> ScanAnswer:
    """Undo the last scan: a kit only shown is dropped, a logged one goes back to how it was.

    Refused in words once the round has moved on, or a new kit is on its way.
    """
    if bench.pending is not None:
        return bench.answer(BenchOutcome.DROPPED, "dropped")
    target = _last_counted(bench.session_id)
    if target is None:
        return bench.answer(BenchOutcome.ASK_AGAIN, "nothing_to_undo")
    kit = Kit.objects.filter(pk=target.kit_id or 0).first()
    back = (
        Return.objects.filter(kit=kit, session_id=bench.session_id).exclude(state="undone").first()
        if kit
        else None
    )
    if target.outcome == BenchOutcome.ALREADY_LOGGED or kit is None or back is None:
        return _undone(bench, target, "uncounted")
    refusal = _undo_return(bench, back, kit)
    return bench.answer(BenchOutcome.ASK_AGAIN, refusal) if refusal else _undone(bench, target, "undone")


def _undone(bench: Bench, target: Scan, words: str) -> ScanAnswer:
    stored = bench.answer(
        BenchOutcome.UNDONE, target.outcome, sentence=BENCH_SENTENCES[words], about=target.kit_id
    )
    return replace(stored, counts=stored.counts.without(target.outcome, target.kit_id))


def _last_counted(session_id: int) -> Scan | None:
    """The latest counted scan that is not undone; each undo takes away the counted scan before it."""
    skip = 0
    for scan in Scan.objects.filter(session_id=session_id).order_by("-sequence").iterator(chunk_size=100):
        if scan.outcome == BenchOutcome.UNDONE:
            skip += 1
        elif scan.outcome in COUNTED:
            if skip == 0:
                return scan
            skip -= 1
    return None


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
    round_ = Round.objects.select_for_update().filter(pk=kit.round_id or 0).first()
    if kit.round_id is not None and kit.void_on is None:
        live = Kit.objects.filter(round_id=kit.round_id, void_on=None, state__in=["assigned", "dispatched"])
        if live.exclude(pk=kit.pk).exists():
            return "undo_replaced" if back.state == "unsuitable" else "undo_too_late"
    moved = _moves_to_undo(round_, kit) if round_ is not None else False
    if moved is None or (kit.state == "returned" and kit.dispatched_on is None):
        return "undo_too_late"
    make_move(back, "undo", reason="scan_undone")
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
