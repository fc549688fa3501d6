"""How the bench shows an answer: word, icon, tone and sound of each outcome."""

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from django.utils.translation import get_language
from django.utils.translation import gettext_lazy as _

from screening.services.intake_answers import UNLISTED, BenchOutcome, Earlier, ScanAnswer, sentence_for
from screening.services.intake_cards import Words, heard_in_words
from staff import clock


@dataclass(frozen=True, slots=True)
class Look:
    """One outcome's word, tone, icon and sound."""

    word: Words
    tone: str
    icon: str
    sound: str = ""


LOOKS: dict[str, Look] = {
    BenchOutcome.ACCEPTED: Look(_("Accepted"), "ok", "ok", "tick"),
    BenchOutcome.ACCEPTED_WITH_REMARK: Look(_("Accepted, with a remark"), "note", "note", "two-ticks"),
    BenchOutcome.SET_ASIDE: Look(_("Set aside"), "warn", "warn", "low"),
    BenchOutcome.STOP: Look(_("STOP"), "stop", "stop", "fall"),
    BenchOutcome.NOT_OURS: Look(_("Not ours"), "warn", "warn", "low"),
    BenchOutcome.ALREADY_LOGGED: Look(_("Already logged"), "quiet", "again", "click"),
    BenchOutcome.SHOWN: Look(_("Compare the name"), "note", "person"),
    BenchOutcome.NOTED: Look(_("Noted"), "note", "letter", "click"),
    BenchOutcome.ASK_AGAIN: Look(_("Not taken"), "warn", "again", "low"),
    BenchOutcome.REFUSED: Look(_("Not taken"), "stop", "stop", "fall"),
    BenchOutcome.DOUBLE: Look(_("Heard twice"), "quiet", "again", "click"),
    BenchOutcome.NO_ALARM: Look(_("No alarm"), "quiet", "ok", "click"),
    BenchOutcome.UNDONE: Look(_("Undone"), "quiet", "back", "click"),
    BenchOutcome.DROPPED: Look(_("Taken out"), "quiet", "back", "click"),
    BenchOutcome.ACKNOWLEDGED: Look(_("Acknowledged"), "quiet", "ok", "click"),
    BenchOutcome.MADE_UP: Look(_("Name compared"), "ok", "ok", "tick"),
    BenchOutcome.OWED_ASIDE: Look(_("Set aside"), "warn", "warn", "low"),
    BenchOutcome.OWED_STOP: Look(_("STOP"), "stop", "stop", "fall"),
    BenchOutcome.ASK_NOW: Look(_("Ask the person now"), "note", "person", "click"),
    BenchOutcome.TRAY: Look(_("New tray"), "note", "kit", "click"),
    BenchOutcome.PAUSED: Look(_("Paused"), "quiet", "clock", "click"),
    BenchOutcome.IDLE: Look(_("Ready"), "quiet", "kit"),
}
HALTS = frozenset({"warn", "stop"})


@dataclass(frozen=True, slots=True)
class Line:
    """One of the last five scans as shown."""

    earlier: Earlier
    look: Look
    words: Words

    @property
    def heard(self) -> Words:
        """The kit, or what else was scanned or keyed, in words."""
        return self.earlier.serial or heard_in_words(self.earlier.raw)


@dataclass(frozen=True, slots=True)
class Face:
    """Everything the bench shows after a scan."""

    answer: ScanAnswer
    look: Look
    lines: list[Line]

    @property
    def next_sequence(self) -> int:
        """The number the next scan will carry."""
        return self.answer.counts.sequence + 1

    @property
    def halts(self) -> bool:
        """Whether scans made before this was seen are to be made again."""
        return self.look.tone in HALTS


def face_as_json(answer: ScanAnswer) -> dict[str, Any]:
    """An answer for the page's script: the same facts as the template draws, already in words."""
    look = LOOKS[answer.outcome]
    return {
        "outcome": answer.outcome, "code": answer.code, "stored": answer.stored, "sequence": answer.sequence,
        "word": _word(answer.outcome, get_language()), "tone": look.tone, "icon": look.icon, "sound": look.sound,
        "halts": look.tone in HALTS, "position": str(answer.position), "serial": answer.serial,
        "heard": "" if answer.serial or not answer.earlier else str(heard_in_words(answer.earlier[0].raw)),
        "name": answer.name, "born": _born(answer.birth_year, get_language()), "day": str(answer.day_words),
        "sentence": str(answer.sentence), "remark": str(answer.remark), "alarm": answer.needs_acknowledge,
        "waiting": answer.waiting_for_day, "listed": answer.stored and answer.outcome not in UNLISTED,
        "counts": {
            "accepted": answer.counts.accepted, "set_aside": answer.counts.set_aside,
            "not_ours": answer.counts.not_ours, "minute": answer.counts.minute,
        },
        "next": answer.counts.sequence + 1 if answer.counts.sequence else None,
        "time": f"{wall_clock():%H:%M:%S}",
    }  # fmt: skip


def wall_clock() -> datetime:
    """The moment as the desk's wall clock shows it."""
    return clock.now().astimezone(clock.zone())


@lru_cache(maxsize=256)
def _word(outcome: str, _language: str | None) -> str:
    return str(LOOKS[outcome].word)


@lru_cache(maxsize=1024)
def _born(year: int | None, _language: str | None) -> str:
    return born_words(year)


def born_words(year: int | None) -> str:
    """The birth year to compare with the vial."""
    return str(_("born %(year)s") % {"year": year}) if year else ""


def face_of(answer: ScanAnswer) -> Face:
    """An answer made ready to be shown."""
    lines = [
        Line(one, LOOKS[one.outcome], sentence_for(one.outcome, one.code, one.raw))
        for one in answer.last_five
    ]
    return Face(answer, LOOKS[answer.outcome], lines)
