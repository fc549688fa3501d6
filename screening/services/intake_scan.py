"""One scan at the bench: heard, judged, answered and stored in one short transaction."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from typing import Any

from django.db import IntegrityError
from django.utils.translation import gettext_lazy as _

from screening.models import IntakeSession, SessionMode
from screening.services import intake_undo
from screening.services.intake_answers import (
    BENCH_SENTENCES,
    COUNTED,
    BenchOutcome,
    Counts,
    Earlier,
    ScanAnswer,
    decides,
    earlier_read,
    pending_of,
)
from screening.services.intake_cards import CARDS, Heard, Mark, Words, marks_read, understand
from screening.services.intake_desk import Bench, Pass, Scanned
from screening.services.intake_effects import KitFacts
from screening.services.intake_practice import practice_facts, practice_named, practice_understand
from screening.services.intake_sql import scan_read
from screening.services.intake_verdicts import HANDLERS, with_pending
from staff.acting import Acting, acting
from staff.errors import NotFound, RoundbookError
from staff.models import User

DOUBLE_WITHIN = timedelta(seconds=1.5)
FEW, MANY = 6, 24
"""Earlier scans read with a scan: mostly the last few say which kit waits; else as many as a page can leave open."""
RETRIED = ("a_scan_is_stored_once", "a_kit_returns_once")


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
    *,
    by: User,
    session: IntakeSession | int,
    sequence: int,
    raw: str,
    pending: str = "",
    typed: bool = False,
    window: str = "",
    offline: bool = False,
    day: str = "",
    cards: Sequence[str] = (),
    claimed: int | None = None,
    pass_: Pass | None = None,
) -> ScanAnswer:
    """Take whatever the one field of the bench page received: a kit, a day or a command card; `session` or its number.

    `pending` is the serial of the kit the page shows; it is checked against the session's own record. `day` goes with
    a kit whose label was read before it was scanned. A scan that
    waited for the network (`offline`) brings its `day` and `cards` with it and goes to the waiting rack (R16).
    With a `pass_` whether `by` may act is found out with the scan's own read; NotFound if not, and nothing is stored.
    """
    said = understand(raw)
    serial = said.value if said.kind is Heard.SERIAL else pending
    keyed = said.value if said.kind is Heard.DAY else day
    found = [CARDS[code] for code in cards if code in CARDS]
    marks = frozenset(Mark(card.value) for card in found if card.kind is Heard.MARK)
    number = session if isinstance(session, int) else session.pk
    return _hear(
        by,
        Scanned(number, sequence, raw, said, serial, keyed, marks, typed, window, offline, claimed, pass_),
    )


def _hear(by: User, heard: Scanned) -> ScanAnswer:
    """Take the scan; where another transaction stored the same scan or kit meanwhile, look again."""
    for _attempt in range(2):
        try:
            return _taken(by, heard)
        except IntegrityError as error:
            if not any(name in str(error) for name in RETRIED):
                raise
    return _taken(by, heard)


def _taken(by: User, heard: Scanned) -> ScanAnswer:
    with ExitStack() as after, acting(by, announces=False) as frame:
        return _take(_bench(frame, heard, after))


def _read(frame: Acting, heard: Scanned, latest: int) -> dict[str, Any] | None:
    return scan_read(
        frame,
        session=heard.session_id,
        serials=[heard.serial],
        sequence=heard.sequence,
        plus=heard.keyed == "+",
        key=heard.pass_.key if heard.pass_ else "",
        operator=frame.by.pk,
        latest=latest,
    )


def _bench(frame: Acting, heard: Scanned, after: ExitStack) -> Bench:
    found = _read(frame, heard, FEW)
    if heard.pass_ and (found is None or not heard.pass_.holds(found["who"])):
        raise NotFound("not_admitted", _("Sign in again."))
    earlier = earlier_read(found["earlier"]) if found else ()
    if found and (found["mode"] == SessionMode.PRACTICE or not decides(earlier)):
        found = _read(frame, heard, MANY)
        earlier = earlier_read(found["earlier"]) if found else ()
    if found is None:
        raise NotFound("no_session", _("There is no such intake session. Start one from the delivery."))
    if found["closed_at"] is not None:
        raise RoundbookError("session_closed", _("This session is closed. Start another for the delivery."))
    kit = found["kit"]
    if found["mode"] == SessionMode.PRACTICE:
        heard, earlier, kit = _practised(frame, heard, earlier)
    return Bench(
        frame, heard, found["session_id"], found["mode"], found["delivery_id"], found["site_id"], found["arrived_on"],
        found["closed_days"], Counts(**found["counts"]), earlier, found["trays"], pending_of(earlier),
        found["last_day"], found["alarm_sequence"], kit, after,
    )  # fmt: skip


def _practised(
    frame: Acting, heard: Scanned, earlier: tuple[Earlier, ...]
) -> tuple[Scanned, tuple[Earlier, ...], KitFacts | None]:
    """The same scan in a practice session: practice serials are understood, and the kit is made up."""
    named = practice_named(earlier, frame.today)
    said = practice_understand(heard.raw)
    serial = said.value if said.kind is Heard.SERIAL else heard.serial
    waiting = pending_of(named)
    mine = [one for one in named if one.outcome in {BenchOutcome.UNDONE, BenchOutcome.DROPPED} or one.serial]
    done = bool(mine) and any(
        one.serial == serial and one.outcome in COUNTED | {BenchOutcome.SHOWN} for one in mine
    )
    undone = next((one.sequence for one in mine if not one.serial), 0)
    seen = max((one.sequence for one in mine if one.serial == serial), default=0)
    has_return = done and seen > undone and not (waiting and waiting.serial == serial)
    kit = practice_facts(serial, frame.today, has_return=has_return)
    return replace(heard, said=said, serial=serial), named, kit


def _take(bench: Bench) -> ScanAnswer:
    heard, said = bench.heard, bench.heard.said
    again = next((one for one in bench.earlier if one.sequence == heard.sequence), None)
    if again is not None:
        return intake_undo.answer_again(bench, again)
    if said.kind is Heard.NOTHING:
        return intake_undo.answer_standing(bench)
    if bench.alarm_sequence is not None and not heard.offline:
        return _alarm(bench, bench.alarm_sequence)
    if _heard_twice(bench):
        waiting = bench.pending is not None
        return with_pending(bench, bench.answer(BenchOutcome.DOUBLE, "heard_twice"), waiting)
    if said.kind in _OWN:
        return _OWN[said.kind](bench)
    return HANDLERS[said.kind](bench)


def _heard_twice(bench: Bench) -> bool:
    latest = bench.earlier[0] if bench.earlier else None
    return (
        latest is not None
        and not bench.heard.offline
        and not latest.offline
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


def _pause(bench: Bench) -> ScanAnswer:
    """Stop for a while: the session stays open, and its slip goes on the box."""
    if bench.pending is not None:
        return with_pending(bench, bench.answer(BenchOutcome.REFUSED, "day_owed"))
    return bench.answer(BenchOutcome.PAUSED, "paused", paused=True)


def _misread(bench: Bench) -> ScanAnswer:
    sentence: Words = bench.heard.said.sentence or BENCH_SENTENCES["unknown_card"]
    return with_pending(bench, bench.answer(BenchOutcome.ASK_AGAIN, "misread", sentence=sentence))


def _unknown_card(bench: Bench) -> ScanAnswer:
    sentence: Words = bench.heard.said.sentence or BENCH_SENTENCES["unknown_card"]
    return with_pending(bench, bench.answer(BenchOutcome.ASK_AGAIN, "unknown_card", sentence=sentence))


def _no_alarm(bench: Bench) -> ScanAnswer:
    return with_pending(bench, bench.answer(BenchOutcome.NO_ALARM, "no_alarm"))


_OWN = {
    Heard.UNDO: intake_undo.undo_last,
    Heard.ACKNOWLEDGE: _no_alarm,
    Heard.PAUSE: _pause,
    Heard.MISREAD: _misread,
    Heard.SLIP: _unknown_card,
    Heard.UNKNOWN_CARD: _unknown_card,
}
