"""What the bench answers to a scan: the verdict, whose kit it is, where to put it, and the running counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from screening.accession_words import REASON_SENTENCES, REMARK_SENTENCES, Reason, Remark, sentences_joined
from screening.collection import CollectionError, CollectionErrorCode
from screening.services.intake_cards import Mark, Words, understand

TRAY_PLACES = 50


class BenchOutcome(StrEnum):
    """What the bench shows: the verdicts of accession, and what can be said before or beside one."""

    ACCEPTED = "accepted"
    ACCEPTED_WITH_REMARK = "accepted_with_remark"
    SET_ASIDE = "set_aside"
    STOP = "stop"
    NOT_OURS = "not_ours"
    ALREADY_LOGGED = "already_logged"
    SHOWN = "shown"
    NOTED = "noted"
    ASK_AGAIN = "ask_again"
    REFUSED = "refused"
    DOUBLE = "double"
    UNDONE = "undone"
    DROPPED = "dropped"
    ACKNOWLEDGED = "acknowledged"
    IDLE = "idle"


ACCEPTED = frozenset({BenchOutcome.ACCEPTED, BenchOutcome.ACCEPTED_WITH_REMARK})
COUNTED = ACCEPTED | {
    BenchOutcome.SET_ASIDE,
    BenchOutcome.STOP,
    BenchOutcome.NOT_OURS,
    BenchOutcome.ALREADY_LOGGED,
}
LEAVES_PENDING = frozenset(
    {BenchOutcome.NOTED, BenchOutcome.ASK_AGAIN, BenchOutcome.REFUSED, BenchOutcome.DOUBLE}
)

BENCH_SENTENCES: dict[str, Words] = {
    "compare": _("Compare the name with the vial, then key the day on the label."),
    "household": _("Another kit is out at the same address: read the given name too."),
    "no_kit_yet": _("Scan a kit first."),
    "day_owed": _("This scan was not taken: the kit before it still needs its day. Key it, or scan NO DATE."),
    "alarm_waiting": _("This scan was not taken. Deal with the alarm, then scan the card ACKNOWLEDGE."),
    "heard_twice": _("Heard twice within a moment, counted once."),
    "no_last_day": _("No day has been keyed in this session yet. Key the day on the label."),
    "pending_lost": _("Another window has moved this session on. Scan the kit again."),
    "sequence_taken": _("Another window is scanning into this session. Reload this page; then scan again."),
    "acknowledged": _("The alarm is cleared. Go on."),
    "no_alarm": _("No alarm is waiting. Go on."),
    "unknown_card": _("This is not one of the command cards. Print a fresh set."),
    "noted": _("Noted. Now key the day on the label."),
    "dropped": _("This kit is out of the session again. Nothing was logged."),
    "nothing_to_undo": _("There is nothing to undo in this session."),
    "undone": _("Undone: take this kit out of the rack. Scan it again when it is clear."),
    "uncounted": _("The last scan is no longer counted."),
    "undo_too_late": _("This kit has moved on and cannot be undone here. Tell the phone desk."),
    "undo_replaced": _(
        "This kit was found unsuitable and a new one is on its way. It cannot be undone; tell the phone desk."
    ),
    "ready": _("Ready. Scan a kit."),
}


@dataclass(frozen=True, slots=True)
class Counts:
    """The running counts of a session."""

    accepted: int = 0
    set_aside: int = 0
    not_ours: int = 0
    minute: int = 0
    sequence: int = 0

    @property
    def scanned(self) -> int:
        """Everything that left an envelope: accepted, set aside and not ours."""
        return self.accepted + self.set_aside + self.not_ours

    def after(self, outcome: str, kit_id: int | None, sequence: int) -> Counts:
        """The counts with one more scan."""
        accepted = outcome in ACCEPTED
        aside = outcome == BenchOutcome.SET_ASIDE or (outcome == BenchOutcome.STOP and kit_id is not None)
        foreign = outcome == BenchOutcome.NOT_OURS or (outcome == BenchOutcome.STOP and kit_id is None)
        return Counts(
            self.accepted + accepted,
            self.set_aside + aside,
            self.not_ours + foreign,
            self.minute + (accepted or aside),
            max(self.sequence, sequence),
        )

    def without(self, outcome: str, kit_id: int | None) -> Counts:
        """The counts with one scan taken away."""
        gone = Counts().after(outcome, kit_id, 0)
        return Counts(
            self.accepted - gone.accepted,
            self.set_aside - gone.set_aside,
            self.not_ours - gone.not_ours,
            self.minute,
            self.sequence,
        )


@dataclass(frozen=True, slots=True)
class Earlier:
    """One earlier scan as the list of the last five shows it."""

    sequence: int
    raw: str
    outcome: str
    code: str
    heard_at: datetime
    kit_id: int | None = None
    serial: str = ""
    name: str = ""
    birth_year: int | None = None


@dataclass(frozen=True, slots=True)
class ScanAnswer:
    """The answer to one scan; `waiting_for_day` says the kit is shown and not yet logged."""

    outcome: str
    code: str
    sentence: Words
    sequence: int
    serial: str = ""
    name: str = ""
    birth_year: int | None = None
    position: Words = ""
    day_words: Words = ""
    remark: Words = ""
    needs_acknowledge: bool = False
    waiting_for_day: bool = False
    counts: Counts = field(default_factory=Counts)
    earlier: tuple[Earlier, ...] = ()

    @property
    def last_five(self) -> list[Earlier]:
        """The last five scans that were counted or asked for something."""
        hidden = {BenchOutcome.SHOWN, BenchOutcome.NOTED, BenchOutcome.DOUBLE}
        return [one for one in self.earlier if one.outcome not in hidden][:5]


def earlier_read(rows: Sequence[Mapping[str, Any]]) -> tuple[Earlier, ...]:
    """Earlier scans from their JSON rows, latest first."""
    return tuple(
        Earlier(
            sequence=row["sequence"],
            raw=row["raw"],
            outcome=row["outcome"],
            code=row["code"],
            heard_at=datetime.fromisoformat(row["heard_at"]),
            kit_id=row["kit_id"],
            serial=row["serial"] or "",
            name=row["name"] or "",
            birth_year=row["birth_year"],
        )
        for row in rows
    )


@dataclass(frozen=True, slots=True)
class Pending:
    """A kit that is shown and waits for its day, with what was noted of it."""

    serial: str
    name: str
    birth_year: int | None
    marks: frozenset[Mark]


def pending_of(earlier: Sequence[Earlier]) -> Pending | None:
    """The kit that waits for its day, by the session's latest scans; None if there is none."""
    marks: set[Mark] = set()
    for one in earlier:
        if one.outcome == BenchOutcome.SHOWN:
            return Pending(one.serial, one.name, one.birth_year, frozenset(marks))
        if one.outcome == BenchOutcome.NOTED:
            marks.add(Mark(one.code))
        elif one.outcome not in LEAVES_PENDING:
            return None
    return None


def place_accepted(nth: int) -> Words:
    """Where the nth accepted kit of a session goes."""
    tray, place = divmod(nth - 1, TRAY_PLACES)
    return format_lazy(_("tray {tray}, place {place}"), tray=tray + 1, place=place + 1)


def place_aside(nth: int, *, named: bool = False) -> Words:
    """The slot of the set-aside rack for the nth set-aside kit of a session, `named` in full where needed."""
    return format_lazy(_("set-aside slot {place}") if named else _("slot {place}"), place=nth)


def place_for(outcome: str, kit_id: int | None, counts: Counts) -> Words:
    """Where a kit goes, `counts` including it; empty where it goes into no rack of ours."""
    if outcome in ACCEPTED:
        return place_accepted(counts.accepted)
    if outcome == BenchOutcome.SET_ASIDE or (outcome == BenchOutcome.STOP and kit_id is not None):
        return place_aside(counts.set_aside, named=outcome == BenchOutcome.STOP)
    return ""


def sentence_for(outcome: str, code: str, raw: str = "") -> Words:
    """The words of a stored outcome: a reason of accession, a keying slip, or one of the bench's own."""
    if outcome == BenchOutcome.NOTED:
        return BENCH_SENTENCES["noted"]
    if outcome == BenchOutcome.UNDONE:
        return BENCH_SENTENCES["undone" if code not in {"not_ours", "already_logged"} else "uncounted"]
    if code in BENCH_SENTENCES:
        return BENCH_SENTENCES[code]
    if code in set(Reason):
        return REASON_SENTENCES[Reason(code)]
    if code in set(CollectionErrorCode):
        return CollectionError(CollectionErrorCode(code)).sentence
    return understand(raw).sentence or BENCH_SENTENCES["ready"]


def remarks_in_words(packed: str) -> Words:
    """The remarks stored with a return, in words."""
    return sentences_joined([REMARK_SENTENCES[Remark(word)] for word in packed.split()])
