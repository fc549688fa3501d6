"""One scan at the bench: heard, judged, answered and stored in one short transaction."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from django.db import IntegrityError
from django.utils.translation import gettext_lazy as _

from screening.accession import judge_return
from screening.accession_facts import ReturnFacts, ReturnState, Verdict
from screening.accession_words import Reason
from screening.collection import CollectionDay, CollectionError, infer_day
from screening.models import IntakeSession
from screening.services import intake_undo
from screening.services.intake_answers import (
    BENCH_SENTENCES,
    BenchOutcome,
    Counts,
    Earlier,
    Pending,
    ScanAnswer,
    earlier_read,
    pending_of,
    place_for,
)
from screening.services.intake_cards import NOTES, Heard, Mark, Utterance, Words, marks_read, understand
from screening.services.intake_effects import (
    Effects,
    KitFacts,
    effects_of,
    facts_for,
    first_possible_day,
    policy_of,
)
from screening.services.intake_reopening import reopened_dates_refresh
from screening.services.intake_sql import scan_read, scan_write
from staff.acting import Acting, acting
from staff.errors import NotFound, RoundbookError
from staff.models import User

DOUBLE_WITHIN = timedelta(seconds=1.5)
RETRIED = ("a_scan_is_stored_once", "a_kit_returns_once")


@dataclass(frozen=True, slots=True)
class Scanned:
    """What came in: the text as heard, what it means, and the kit and day it is about."""

    session_id: int
    sequence: int
    raw: str
    said: Utterance
    serial: str = ""
    keyed: str = ""
    marks: frozenset[Mark] = frozenset()
    typed: bool = False


@dataclass(slots=True)
class Bench:
    """The session as read under lock, and the frame in which it is written."""

    frame: Acting
    heard: Scanned
    session_id: int
    delivery_id: int
    arrived_on: date
    closed_days: list[date]
    counts: Counts
    earlier: tuple[Earlier, ...]
    pending: Pending | None
    last_day: date | None
    alarm_sequence: int | None
    kit: KitFacts | None

    def answer(
        self,
        outcome: str,
        code: str,
        *,
        sentence: Words = "",
        kit: KitFacts | None = None,
        effects: Effects | None = None,
        alarm: int | bool | None = False,
        about: int | None = None,
        **more: Any,
    ) -> ScanAnswer:
        """Store the scan with everything it changes, and answer; `about` names a kit whose facts are not read."""
        kit_id = kit.kit_id if kit else about
        scan_write(
            effects=effects, alarm=alarm, session=self.session_id, delivery=self.delivery_id,
            sequence=self.heard.sequence, raw=self.heard.raw[:200], kit=kit_id, outcome=outcome, code=code,
            typed=self.heard.typed, now=self.frame.now, by=self.frame.by.pk,
        )  # fmt: skip
        if effects:
            reopened_dates_refresh(by=self.frame.by, many=[effects])
        counts = self.counts.after(outcome, kit_id, self.heard.sequence)
        who: dict[str, Any] = (
            {"serial": kit.serial, "name": kit.name, "birth_year": kit.birth_year} if kit else {}
        )
        this = Earlier(self.heard.sequence, self.heard.raw, outcome, code, self.frame.now, kit_id, **who)
        return ScanAnswer(
            outcome, code, sentence or BENCH_SENTENCES.get(code, ""), self.heard.sequence, counts=counts,
            earlier=(this, *self.earlier), **(who | more),
        )  # fmt: skip


def kit_scan(
    *,
    by: User,
    session: IntakeSession,
    sequence: int,
    raw: str,
    keyed_day: str = "",
    condition: str = "",
    typed: bool = False,
) -> ScanAnswer:
    """Take a kit's serial with, if already known, the day on its label and what was seen of it.

    Without a day the answer shows whose kit it is and nothing is logged yet, unless the book alone decides.
    `condition` holds marks as words (`"leaking"`, `"no_name note_enclosed"`). The same sequence gives the
    same answer again. RoundbookError for an unknown condition or a closed session.
    """
    try:
        marks = marks_read(condition)
    except ValueError as error:
        raise RoundbookError("unknown_condition", _("Choose what you see from the list.")) from error
    said = understand(raw)
    serial = said.value if said.kind is Heard.SERIAL else ""
    return _hear(by, Scanned(session.pk, sequence, raw, said, serial, keyed_day.strip(), marks, typed))


def bench_scan(
    *, by: User, session: IntakeSession, sequence: int, raw: str, pending: str = "", typed: bool = False
) -> ScanAnswer:
    """Take whatever the one field of the bench page received: a kit, a day or a command card.

    `pending` is the serial of the kit the page shows; it is checked against the session's own record.
    """
    said = understand(raw)
    serial = said.value if said.kind is Heard.SERIAL else pending
    keyed = said.value if said.kind is Heard.DAY else ""
    return _hear(by, Scanned(session.pk, sequence, raw, said, serial, keyed, frozenset(), typed))


def _hear(by: User, heard: Scanned) -> ScanAnswer:
    """Take the scan; where another transaction stored the same scan or kit meanwhile, look again."""
    for _attempt in range(2):
        try:
            with acting(by) as frame:
                return _take(_bench(frame, heard))
        except IntegrityError as error:
            if not any(name in str(error) for name in RETRIED):
                raise
    with acting(by) as frame:
        return _take(_bench(frame, heard))


def _bench(frame: Acting, heard: Scanned) -> Bench:
    found = scan_read(
        session=heard.session_id, serials=[heard.serial], sequence=heard.sequence, today=frame.today,
        now=frame.now, plus=heard.keyed == "+",
    )  # fmt: skip
    if found is None:
        raise NotFound("no_session", _("There is no such intake session. Start one from the delivery."))
    if found["closed_at"] is not None:
        raise RoundbookError("session_closed", _("This session is closed. Start another for the delivery."))
    earlier = earlier_read(found["earlier"])
    return Bench(
        frame, heard, found["session_id"], found["delivery_id"], found["arrived_on"], found["closed_days"],
        Counts(**found["counts"]), earlier, pending_of(earlier), found["last_day"], found["alarm_sequence"],
        found["kit"],
    )  # fmt: skip


def _take(bench: Bench) -> ScanAnswer:
    heard, said = bench.heard, bench.heard.said
    again = next((one for one in bench.earlier if one.sequence == heard.sequence), None)
    if again is not None:
        return intake_undo.answer_again(bench, again)
    if said.kind is Heard.NOTHING:
        return intake_undo.answer_standing(bench)
    if bench.alarm_sequence is not None:
        return _alarm(bench, bench.alarm_sequence)
    if _heard_twice(bench):
        waiting = bench.pending is not None
        return _with_pending(bench, bench.answer(BenchOutcome.DOUBLE, "heard_twice"), waiting)
    return _HANDLERS[said.kind](bench)


def _heard_twice(bench: Bench) -> bool:
    latest = bench.earlier[0] if bench.earlier else None
    return (
        latest is not None
        and bench.heard.said.kind is not Heard.DAY
        and latest.raw == bench.heard.raw[:200]
        and bench.frame.now - latest.heard_at < DOUBLE_WITHIN
        and not bench.heard.keyed
    )


def _alarm(bench: Bench, sequence: int) -> ScanAnswer:
    """Only the ACKNOWLEDGE card clears an alarm; anything else is refused and kept as a scan."""
    if bench.heard.said.kind is Heard.ACKNOWLEDGE:
        return bench.answer(BenchOutcome.ACKNOWLEDGED, "acknowledged", alarm=None)
    refused = bench.answer(BenchOutcome.REFUSED, "alarm_waiting")
    return intake_undo.with_alarm(bench, refused, sequence)


def _with_pending(bench: Bench, answer: ScanAnswer, waiting: bool = True) -> ScanAnswer:
    """The answer with the kit that still waits for its day."""
    kit = bench.pending
    if not waiting or kit is None:
        return answer
    return replace(answer, serial=kit.serial, name=kit.name, birth_year=kit.birth_year, waiting_for_day=True)


def _serial(bench: Bench) -> ScanAnswer:
    other = bench.pending is not None and bench.pending.serial != bench.heard.serial
    if other:
        return _with_pending(bench, bench.answer(BenchOutcome.REFUSED, "day_owed"))
    if bench.kit is None:
        return _foreign(bench)
    return _judge(bench, bench.kit, bench.heard.keyed, bench.heard.marks)


def _foreign(bench: Bench) -> ScanAnswer:
    if bench.pending is not None:
        return _with_pending(bench, bench.answer(BenchOutcome.REFUSED, "day_owed"))
    fits = bench.heard.said.kind is Heard.SERIAL
    facts = ReturnFacts(
        kit=None, round=None, arrived_on=bench.arrived_on, judged_on=bench.frame.today, dispatched_on=None,
        collection=None, serial_fits=fits,
    )  # fmt: skip
    verdict = judge_return(facts, _ANY_POLICY)
    alarm = bench.heard.sequence if fits else False
    return bench.answer(
        verdict.outcome.value,
        verdict.reason.value,
        sentence=verdict.sentence,
        alarm=alarm,
        needs_acknowledge=fits,
    )


def _day(bench: Bench) -> ScanAnswer:
    kit = _pending_kit(bench)
    if kit is None or bench.pending is None:
        return bench.answer(BenchOutcome.ASK_AGAIN, "pending_lost" if bench.pending else "no_kit_yet")
    return _judge(bench, kit, bench.heard.keyed, bench.pending.marks)


def _mark(bench: Bench) -> ScanAnswer:
    kit = _pending_kit(bench)
    if kit is None or bench.pending is None:
        return bench.answer(BenchOutcome.ASK_AGAIN, "pending_lost" if bench.pending else "no_kit_yet")
    mark = Mark(bench.heard.said.value)
    if mark in NOTES:
        noted = bench.answer(BenchOutcome.NOTED, mark.value, sentence=BENCH_SENTENCES["noted"])
        return _with_pending(bench, noted)
    return _judge(bench, kit, "", bench.pending.marks | {mark})


def _pending_kit(bench: Bench) -> KitFacts | None:
    """The kit the page shows, if the session agrees that it waits."""
    if bench.kit and bench.pending and bench.kit.serial == bench.pending.serial:
        return bench.kit
    return None


def _judge(bench: Bench, kit: KitFacts, keyed: str, marks: frozenset[Mark]) -> ScanAnswer:
    """The verdict on a kit of ours, stored with everything that follows from it."""
    day, slip = _day_keyed(bench, kit, keyed)
    if slip:
        return _with_pending(
            bench, bench.answer(BenchOutcome.ASK_AGAIN, slip.code, sentence=slip.sentence, kit=kit)
        )
    verdict = verdict_on(kit, bench.arrived_on, bench.frame.today, day, marks)
    if verdict.reason is Reason.NO_DATE_KEYED:
        remark = BENCH_SENTENCES["household"] if kit.household_kit_out else ""
        return bench.answer(BenchOutcome.SHOWN, "compare", kit=kit, waiting_for_day=True, remark=remark)
    text = bench.last_day.isoformat() if keyed == "+" and bench.last_day else keyed
    effects = None
    if verdict.return_state is not ReturnState.NONE:
        effects = effects_of(
            kit, verdict, arrived_on=bench.arrived_on, today=bench.frame.today, day=day, keyed=text,
            closed=bench.closed_days,
        )  # fmt: skip
    stops = verdict.outcome.value == BenchOutcome.STOP
    counts = bench.counts.after(verdict.outcome.value, kit.kit_id, bench.heard.sequence)
    return bench.answer(
        verdict.outcome.value, verdict.reason.value, sentence=verdict.sentence, kit=kit, effects=effects,
        alarm=bench.heard.sequence if stops else False, needs_acknowledge=stops, remark=verdict.remark,
        day_words=day.words if day else "", position=place_for(verdict.outcome.value, kit.kit_id, counts),
    )  # fmt: skip


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
        return infer_day(text, bench.arrived_on, first_possible_day(kit, bench.arrived_on)), None
    except CollectionError as error:
        return None, Slip(error.code.value, error.sentence)


def verdict_on(
    kit: KitFacts, arrived_on: date, today: date, day: CollectionDay | None, marks: frozenset[Mark]
) -> Verdict:
    """The accession verdict on a kit of ours."""
    facts = facts_for(kit, arrived_on=arrived_on, today=today, day=day, marks=marks)
    return judge_return(facts, policy_of(kit))


def _misread(bench: Bench) -> ScanAnswer:
    answer = bench.answer(BenchOutcome.ASK_AGAIN, "misread", sentence=bench.heard.said.sentence)
    return _with_pending(bench, answer)


def _unknown_card(bench: Bench) -> ScanAnswer:
    return _with_pending(bench, bench.answer(BenchOutcome.ASK_AGAIN, "unknown_card"))


def _no_alarm(bench: Bench) -> ScanAnswer:
    return _with_pending(bench, bench.answer(BenchOutcome.DOUBLE, "no_alarm"))


_ANY_POLICY = policy_of(KitFacts(0, "", "", 0, None, False, None, False, date.max, 14, False))
_HANDLERS = {
    Heard.SERIAL: _serial,
    Heard.FOREIGN: _foreign,
    Heard.DAY: _day,
    Heard.MARK: _mark,
    Heard.UNDO: intake_undo.undo_last,
    Heard.ACKNOWLEDGE: _no_alarm,
    Heard.MISREAD: _misread,
    Heard.UNKNOWN_CARD: _unknown_card,
}
