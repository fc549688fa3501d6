"""What the bench answers to a scan: the verdict, whose kit it is, where to put it, and the running counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from django.utils.translation import gettext_lazy as _

from screening.accession_words import REASON_SENTENCES, REMARK_SENTENCES, Reason, Remark, sentences_joined
from screening.collection import CollectionError, CollectionErrorCode
from screening.services.intake_cards import Mark, Words, understand


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
    MADE_UP = "made_up"
    OWED_ASIDE = "owed_aside"
    OWED_STOP = "owed_stop"
    ASK_NOW = "ask_now"
    TRAY = "tray"
    PAUSED = "paused"
    NO_ALARM = "no_alarm"
    IDLE = "idle"


ACCEPTED = frozenset({BenchOutcome.ACCEPTED, BenchOutcome.ACCEPTED_WITH_REMARK})
COUNTED = ACCEPTED | {
    BenchOutcome.SET_ASIDE,
    BenchOutcome.STOP,
    BenchOutcome.NOT_OURS,
    BenchOutcome.ALREADY_LOGGED,
    BenchOutcome.MADE_UP,
    BenchOutcome.OWED_ASIDE,
    BenchOutcome.OWED_STOP,
}
STOPS = frozenset({BenchOutcome.STOP, BenchOutcome.OWED_STOP})
UNLISTED = frozenset(
    {BenchOutcome.SHOWN, BenchOutcome.NOTED, BenchOutcome.DOUBLE, BenchOutcome.ASK_NOW, BenchOutcome.NO_ALARM}
)
LEAVES_PENDING = frozenset(
    {
        BenchOutcome.NOTED,
        BenchOutcome.ASK_AGAIN,
        BenchOutcome.REFUSED,
        BenchOutcome.DOUBLE,
        BenchOutcome.NO_ALARM,
        BenchOutcome.ASK_NOW,
        BenchOutcome.TRAY,
    }
)

BENCH_SENTENCES: dict[str, Words] = {
    "compare": _("Compare the name with the vial, then key the day on the label."),
    "compare_owed": _(
        "Its name was not compared yet. Compare it now; then key the day on the label, or scan NAME FITS."
    ),
    "later": _("Not judged while the network was away. Scan it again from the waiting rack."),
    "made_up_elsewhere": _("The name is compared. Move the kit to its place."),
    "made_up": _("The name is compared. Move the kit to its place."),
    "asks_on": _("The name is compared, but something else is to be cleared up. Put it with the set-asides."),
    "no_stored_day": _("No day is stored for this kit. Key the day on the label, or scan NO DATE."),
    "ask_now_name": _(
        "Ask the person to write the name on the label, then key the day. If they have left, scan the card again."
    ),
    "ask_now_date": _(
        "Ask the person for the day and key it. If they do not know or have left, scan the card again."
    ),
    "tray_opened": _("The next accepted kit goes into place 1."),
    "tray_empty": _("This tray is still empty. Use it first."),
    "tray_taken": _("A tray with this label is being filled at another desk. Take another tray."),
    "no_trays": _("This desk works without trays."),
    "paused": _("Paused. Print the slip and put it on the box; anybody can go on by scanning it."),
    "look_alike": _(
        "Somebody else is easily taken for this person: compare the whole name and the birth date."
    ),
    "household": _("Somebody else at the same address has a kit too: read the given name as well."),
    "no_kit_yet": _("Scan a kit first."),
    "other_kit_owed": _(
        "This kit was not taken: the one before it still needs its day. Put this one down, scan that one again, then key"
        " its day."
    ),
    "day_whose": _(
        "Not stored: another kit was scanned meanwhile, so this day may be that one's. Scan the kit again, then key its day."
    ),
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
    "dropped": _(
        "Put this kit aside or scan it again: it is out of the session, and nothing was logged of it."
    ),
    "nothing_to_undo": _("There is nothing to undo in this session."),
    "undone": _("Undone: take this kit out of the rack. Scan it again when it is clear."),
    "uncounted": _("The last scan is no longer counted."),
    "undone_from": _(
        "Undone: {verdict}, {place}. Take this kit out of there; scan it again when it is clear."
    ),
    "uncounted_what": _("The scan “{heard}” ({verdict}) is no longer counted."),
    "undo_tray_closed": _(
        "The tray of that kit is closed, so its scan stands. Find the kit in its tray and tell the phone desk."
    ),
    "undo_made_up": _("A name compared later cannot be undone here. Tell the phone desk."),
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
        """The counts with one more scan; a kit whose name is compared later was counted when it was scanned."""
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

    def made_up(self, sequence: int) -> Counts:
        """The counts after a name was compared later: one more accepted, one fewer set aside."""
        return Counts(self.accepted + 1, self.set_aside - 1, self.not_ours, self.minute + 1, sequence)

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
    window: str = ""
    offline: bool = False


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
    last_day: Words = ""
    day_words: Words = ""
    remark: Words = ""
    needs_acknowledge: bool = False
    waiting_for_day: bool = False
    stored: bool = True
    counts: Counts = field(default_factory=Counts)
    earlier: tuple[Earlier, ...] = ()

    @property
    def last_five(self) -> list[Earlier]:
        """The last five scans that were counted or asked for something."""
        return [one for one in self.earlier if one.outcome not in UNLISTED][:5]


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
            name=row.get("name") or "",
            birth_year=row.get("birth_year"),
            window=row.get("window") or "",
            offline=row.get("offline") or False,
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


def decides(earlier: Sequence[Earlier]) -> bool:
    """Whether the latest scans say which kit waits, so that older ones need not be asked."""
    return any(one.outcome == BenchOutcome.SHOWN or one.outcome not in LEAVES_PENDING for one in earlier)


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


def sentence_for(outcome: str, code: str, raw: str = "") -> Words:
    """The words of a stored outcome: a reason of accession, a keying slip, or one of the bench's own."""
    if outcome == BenchOutcome.NOTED:
        return BENCH_SENTENCES["noted"]
    if outcome == BenchOutcome.UNDONE:
        return BENCH_SENTENCES["undone" if code not in {"not_ours", "already_logged"} else "uncounted"]
    if code in BENCH_SENTENCES:
        return BENCH_SENTENCES[code]
    if outcome in ACCEPTED:
        return REASON_SENTENCES[Reason.FIT]
    if code in set(Reason):
        return REASON_SENTENCES[Reason(code)]
    if code in set(CollectionErrorCode):
        return CollectionError(CollectionErrorCode(code)).sentence
    return understand(raw).sentence or BENCH_SENTENCES["ready"]


def remarks_in_words(packed: str) -> Words:
    """The remarks stored with a return, in words."""
    return sentences_joined([REMARK_SENTENCES[Remark(word)] for word in packed.split()])
