"""Making up the name check of kits scanned while the network was away, one by one from the waiting rack (R16)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from screening.accession_facts import Outcome, ReturnState, Verdict
from screening.accession_words import Reason
from screening.collection import CollectionDay, sample_dates
from screening.models import Return, Tray
from screening.services.intake_answers import BenchOutcome, ScanAnswer
from screening.services.intake_cards import Mark
from screening.services.intake_desk import Bench
from screening.services.intake_effects import (
    KitFacts,
    first_possible_day,
    hold,
    remarks_packed,
    verdict_on,
)
from screening.services.intake_places import Place
from staff.ledger.moves import make_move


def make_up(
    bench: Bench, kit: KitFacts, day: CollectionDay | None, text: str, marks: frozenset[Mark]
) -> ScanAnswer:
    """Judge a kit of the waiting rack again, now that its name is compared; its return moves on accordingly."""
    owed = kit.owed or {}
    arrived = date.fromisoformat(owed["arrived_on"])
    as_new = replace(
        kit, has_return=False, kit_state="dispatched",
        round_state="kit_out" if kit.round_state == "result_due" else kit.round_state,
    )  # fmt: skip
    verdict = verdict_on(as_new, arrived, bench.frame.today, day, marks)
    if verdict.reason is Reason.NO_DATE_KEYED:
        return bench.answer(BenchOutcome.SHOWN, "compare_owed", kit=kit, waiting_for_day=True)
    back = Return.objects.select_for_update(of=("self",), no_key=True).get(pk=owed["id"])
    ready = verdict.return_state is ReturnState.READY
    place = bench.place("rack" if ready else "aside", kit)
    _moved(back, place)
    if day is not None:
        dates = sample_dates(day, first_possible_day(kit, arrived))
        back.collected_earliest, back.collected_latest = dates.earliest, dates.latest
        back.label_day, back.name_checked = text[:24], True
    back.remark = remarks_packed(verdict)
    back.save(
        update_fields=["collected_earliest", "collected_latest", "label_day", "name_checked", "remark", "tray", "position"]
    )  # fmt: skip
    if ready:
        return _accepted(bench, kit, back, verdict, place, day)
    return _still_aside(bench, kit, back, verdict, place)


def _moved(back: Return, place: Place | None) -> None:
    """Take the kit out of the waiting rack and into its place."""
    back.tray_id = place.tray_id if place else None
    back.position = place.position if place and place.tray_id else None
    if back.tray_id:
        Tray.objects.filter(pk=back.tray_id).update(filled=back.position)


def _accepted(
    bench: Bench,
    kit: KitFacts,
    back: Return,
    verdict: Verdict,
    place: Place | None,
    day: CollectionDay | None,
) -> ScanAnswer:
    from screening.services.intake_solve import round_to_the_laboratory

    make_move(back, "solve", reason="name_compared")
    round_to_the_laboratory(bench.frame, kit)
    here = back.session_id == bench.session_id
    counts = bench.counts.made_up(bench.heard.sequence) if here else None
    return bench.answer(
        BenchOutcome.MADE_UP, "made_up" if here else "made_up_elsewhere", kit=kit, counts=counts,
        remark=verdict.remark, day_words=day.words if day else "", position=place.words if place else "",
    )  # fmt: skip


def _still_aside(
    bench: Bench, kit: KitFacts, back: Return, verdict: Verdict, place: Place | None
) -> ScanAnswer:
    """The name fits or not, but the kit does not go to the bench: it is set aside for its own reason now."""
    from screening.services.intake_solve import Answer, return_solve

    due, pool = hold(kit, verdict.reason, bench.frame.today, bench.closed_days)
    make_move(back, "reschedule", due_on=due, pool=pool, reason=verdict.reason.value)
    if verdict.return_state is ReturnState.UNSUITABLE:
        return_solve(by=bench.frame.by, return_=back, answer=Answer.UNSUITABLE)
    stops = verdict.outcome is Outcome.STOP
    return bench.answer(
        BenchOutcome.OWED_STOP if stops else BenchOutcome.OWED_ASIDE, verdict.reason.value, kit=kit,
        sentence=verdict.sentence, alarm=bench.heard.sequence if stops else False, needs_acknowledge=stops,
        remark=verdict.remark, position=place.words if place else "",
    )  # fmt: skip
