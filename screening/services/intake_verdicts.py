"""What a kit, a day, a mark or a new tray leads to at the bench: verdict, place and the answer that stores them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from screening.accession import judge_return
from screening.accession_facts import AccessionPolicy, Outcome, ReturnFacts, ReturnState, Verdict
from screening.accession_words import Reason, sentences_joined
from screening.collection import CollectionDay, CollectionError, infer_day
from screening.models import SessionMode
from screening.services import intake_owed
from screening.services.intake_answers import BENCH_SENTENCES, BenchOutcome, ScanAnswer
from screening.services.intake_cards import NOTES, STORED_DAY, Heard, Mark, Words
from screening.services.intake_desk import Bench
from screening.services.intake_effects import KitFacts, effects_of, first_possible_day, verdict_on
from screening.services.intake_places import label_is_taken, tray_open
from screening.services.intake_sql import who_of
from screening.services.policies import policy_on

OTHER_KIT = "other_kit_owed"
"""The code of a scan refused because the kit before it still waits for its day."""


def with_pending(bench: Bench, answer: ScanAnswer, waiting: bool = True) -> ScanAnswer:
    """The answer with the kit that still waits for its day."""
    kit = bench.pending
    if not waiting or kit is None:
        return answer
    name, born = (kit.name, kit.birth_year) if kit.name else who_of(kit.serial)
    return replace(answer, serial=kit.serial, name=name, birth_year=born, waiting_for_day=True)


def _serial(bench: Bench) -> ScanAnswer:
    other = bench.pending is not None and bench.pending.serial != bench.heard.serial
    if other and not bench.heard.offline:
        return with_pending(bench, bench.answer(BenchOutcome.REFUSED, OTHER_KIT))
    if bench.kit is None:
        return _foreign(bench)
    return _judge(bench, bench.kit, bench.heard.keyed, bench.heard.marks)


def _foreign(bench: Bench) -> ScanAnswer:
    if bench.heard.offline:
        return bench.answer(BenchOutcome.ASK_AGAIN, "later")
    if bench.pending is not None:
        return with_pending(bench, bench.answer(BenchOutcome.REFUSED, OTHER_KIT))
    fits = bench.heard.said.kind is Heard.SERIAL
    facts = ReturnFacts(
        kit=None, round=None, arrived_on=bench.arrived_on, judged_on=bench.frame.today, dispatched_on=None,
        collection=None, serial_fits=fits,
    )  # fmt: skip
    verdict = judge_return(facts, AccessionPolicy())
    sentence = (bench.practice and bench.heard.said.sentence) or verdict.sentence
    return bench.answer(
        verdict.outcome.value, verdict.reason.value, sentence=sentence,
        alarm=bench.heard.sequence if fits else False, needs_acknowledge=fits,
    )  # fmt: skip


def _day(bench: Bench) -> ScanAnswer:
    kit = _pending_kit(bench)
    if kit is None or bench.pending is None:
        return bench.answer(BenchOutcome.ASK_AGAIN, "pending_lost" if bench.pending else "no_kit_yet")
    if _other_in_hand(bench):
        return with_pending(bench, bench.answer(BenchOutcome.REFUSED, "day_whose"))
    if bench.heard.keyed in (".", "NO DATE") and _ask_now(bench):
        return with_pending(bench, bench.answer(BenchOutcome.ASK_NOW, "ask_now_date"))
    return _judge(bench, kit, bench.heard.keyed, bench.pending.marks | bench.heard.marks)


def _other_in_hand(bench: Bench) -> bool:
    """Whether this window scanned another kit since the one that waits was shown: then a day may be either's."""
    for one in bench.earlier:
        if one.outcome == BenchOutcome.SHOWN:
            return False
        if one.code == OTHER_KIT and one.window == bench.heard.window[:12]:
            return not bench.heard.offline
    return False


_ASKED_OF_THE_PERSON = frozenset({Mark.NO_NAME, Mark.UNREADABLE_NAME})


def _ask_now(bench: Bench) -> bool:
    """In hand-in mode the person still stands there: the first such card asks, the second sets aside (R16)."""
    latest = bench.earlier[0] if bench.earlier else None
    asked = latest is not None and latest.outcome == BenchOutcome.ASK_NOW and latest.raw == bench.heard.raw
    return bench.mode == SessionMode.HAND_IN and not asked and not bench.heard.offline


def _mark(bench: Bench) -> ScanAnswer:
    kit = _pending_kit(bench)
    if kit is None or bench.pending is None:
        return bench.answer(BenchOutcome.ASK_AGAIN, "pending_lost" if bench.pending else "no_kit_yet")
    if _other_in_hand(bench):
        return with_pending(bench, bench.answer(BenchOutcome.REFUSED, "day_whose"))
    mark = Mark(bench.heard.said.value)
    if mark in NOTES:
        noted = bench.answer(BenchOutcome.NOTED, mark.value, sentence=BENCH_SENTENCES["noted"], about=None)
        return with_pending(bench, noted)
    if mark in _ASKED_OF_THE_PERSON and _ask_now(bench):
        return with_pending(bench, bench.answer(BenchOutcome.ASK_NOW, "ask_now_name"))
    return _judge(bench, kit, "", bench.pending.marks | {mark})


def _pending_kit(bench: Bench) -> KitFacts | None:
    """The kit the page shows, if the session agrees that it waits."""
    if bench.kit and bench.pending and bench.kit.serial == bench.pending.serial:
        return bench.kit
    return None


def _judge(bench: Bench, kit: KitFacts, keyed: str, marks: frozenset[Mark]) -> ScanAnswer:
    """The verdict on a kit of ours, stored with everything that follows from it."""
    owed = kit.owed if not bench.heard.offline else None
    if keyed == STORED_DAY:
        keyed = owed["day"] if owed else ""
        if not keyed:
            return with_pending(bench, bench.answer(BenchOutcome.ASK_AGAIN, "no_stored_day", kit=kit))
    day, slip = _day_keyed(bench, kit, keyed)
    if slip and not bench.heard.offline:
        return with_pending(
            bench, bench.answer(BenchOutcome.ASK_AGAIN, slip.code, sentence=slip.sentence, kit=kit)
        )
    text = bench.last_day.isoformat() if keyed == "+" and bench.last_day else keyed
    if owed:
        return intake_owed.make_up(bench, kit, day, text, marks)
    verdict = verdict_on(kit, bench.arrived_on, bench.frame.today, day, marks, not bench.heard.offline)
    if verdict.reason is Reason.NO_DATE_KEYED:
        return bench.answer(
            BenchOutcome.SHOWN,
            "compare",
            kit=kit,
            waiting_for_day=True,
            last=True,
            remark=sentences_joined(_cautions(kit)),
        )
    return _store(bench, kit, verdict, day, text)


def _cautions(kit: KitFacts) -> list[Words]:
    """What to look out for while the name is compared: a look-alike, a household with another kit."""
    applies = {"look_alike": kit.look_alike, "household": kit.household_kit_out}
    return [BENCH_SENTENCES[name] for name, is_so in applies.items() if is_so]


def _store(bench: Bench, kit: KitFacts, verdict: Verdict, day: CollectionDay | None, text: str) -> ScanAnswer:
    effects, place = None, None
    offline = bench.heard.offline
    if verdict.return_state is not ReturnState.NONE:
        ready = verdict.return_state is ReturnState.READY
        place = bench.place("owed" if offline else "rack" if ready else "aside", kit)
    if place is not None or (kit.one_desk and verdict.return_state is not ReturnState.NONE):
        effects = effects_of(
            kit, verdict, arrived_on=bench.arrived_on, today=bench.frame.today, day=day, keyed=text,
            compared=not offline, closed=bench.closed_days, tray_id=place.tray_id if place else None,
            position=place.position if place and place.tray_id else None,
        )  # fmt: skip
    stops = verdict.outcome is Outcome.STOP and not offline
    return bench.answer(
        verdict.outcome.value, verdict.reason.value, sentence=verdict.sentence, kit=kit,
        effects=None if bench.practice else effects, alarm=bench.heard.sequence if stops else False,
        needs_acknowledge=stops, remark=_remark(kit, verdict), day_words=day.words if day else "",
        position=place.words if place else "", last=True,
    )  # fmt: skip


def _remark(kit: KitFacts, verdict: Verdict) -> Words:
    """The verdict's remarks; a look-alike is told again, since kit and day may come in one scan."""
    told = [verdict.remark] if verdict.remark else []
    return sentences_joined([*told, BENCH_SENTENCES["look_alike"]] if kit.look_alike else told)


@dataclass(frozen=True, slots=True)
class Slip:
    """What was keyed is not a day; it is asked for again."""

    code: str
    sentence: Words


def _day_keyed(bench: Bench, kit: KitFacts, keyed: str) -> tuple[CollectionDay | None, Slip | None]:
    if not keyed:
        return None, None
    if keyed == "+" and bench.last_day is None:
        return None, Slip("no_last_day", BENCH_SENTENCES["no_last_day"])
    text = bench.last_day.isoformat() if keyed == "+" and bench.last_day else keyed
    try:
        return infer_day(text, _arrived(bench, kit), first_possible_day(kit, _arrived(bench, kit))), None
    except CollectionError as error:
        return None, Slip(error.code.value, error.sentence)


def _arrived(bench: Bench, kit: KitFacts) -> date:
    """The arrival that ends the transit of this kit: of its own delivery where it was scanned before."""
    return date.fromisoformat(kit.owed["arrived_on"]) if kit.owed else bench.arrived_on


def _new_tray(bench: Bench) -> ScanAnswer:
    """Close the tray being filled; the next kit opens another, or the one whose label was scanned."""
    label, tray = bench.heard.said.value, bench.trays.get("rack")
    if bench.practice or policy_on(bench.frame.today).one_desk:
        return with_pending(bench, bench.answer(BenchOutcome.ASK_AGAIN, "no_trays"))
    if label and label_is_taken(label, bench.session_id):
        return with_pending(bench, bench.answer(BenchOutcome.ASK_AGAIN, "tray_taken"))
    if tray is not None and not tray["filled"] and label in ("", tray["label"]):
        return with_pending(bench, bench.answer(BenchOutcome.ASK_AGAIN, "tray_empty"))
    opened = tray_open(
        "rack", session=bench.session_id, site=bench.site_id, closing=tray["id"] if tray else None, now=bench.frame.now,
        label=label,
    )  # fmt: skip
    answer = bench.answer(BenchOutcome.TRAY, "tray_opened", position=f"{opened.label}")
    return with_pending(bench, answer)


HANDLERS = {
    Heard.SERIAL: _serial,
    Heard.FOREIGN: _foreign,
    Heard.DAY: _day,
    Heard.MARK: _mark,
    Heard.NEW_TRAY: _new_tray,
}
