"""What reception can scan or key at the bench: command cards, days, kit serials; pure rules."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from screening.accession_facts import Condition, LabelName
from screening.collection import CollectionCommand
from screening.serials import DEFAULT_PREFIX, SerialError, serial_read

Words = str | Promise
CARD_PREFIX = "RB-"
STORED_DAY = "="
"""Keyed for a kit whose day was stored while its name could not be compared: that day stands."""


class Heard(StrEnum):
    """What kind of thing was scanned or keyed."""

    NOTHING = "nothing"
    ACKNOWLEDGE = "acknowledge"
    UNDO = "undo"
    DAY = "day"
    MARK = "mark"
    NEW_TRAY = "new_tray"
    PAUSE = "pause"
    SLIP = "slip"
    SERIAL = "serial"
    MISREAD = "misread"
    FOREIGN = "foreign"
    UNKNOWN_CARD = "unknown_card"


@dataclass(frozen=True, slots=True)
class Utterance:
    """One scan understood: its kind, the day, mark or serial it carries, and words for a misread one."""

    kind: Heard
    value: str = ""
    sentence: Words = ""


@dataclass(frozen=True, slots=True)
class Card:
    """A command card: the text of its barcode, the words printed on it, and what it means."""

    code: str
    label: Words
    kind: Heard
    value: str = ""
    group: str = "command"


class Mark(StrEnum):
    """What reception says of a kit beside its day; the notes do not set it aside, the others do."""

    NO_NAME = "no_name"
    OTHER_NAME = "other_name"
    UNREADABLE_NAME = "name_illegible"
    OTHER_BIRTH_DATE = "other_birth_date"
    EMPTY = "empty"
    TWO_VIALS = "two_vials"
    LEAKING = "leaking"
    LEAKING_BELOW_MARK = "leaking_below_mark"
    OVER_FULL = "over_full"
    CLEAN_STICK = "clean_stick"
    BUFFER_LOST = "buffer_lost"
    DAMAGED = "damaged"
    NOTE_ENCLOSED = "note_enclosed"
    VISIBLE_BLOOD = "visible_blood"


NOTES = frozenset({Mark.NOTE_ENCLOSED, Mark.VISIBLE_BLOOD})
LABEL_NAMES: dict[Mark, LabelName] = {
    Mark.NO_NAME: LabelName.MISSING,
    Mark.OTHER_NAME: LabelName.OTHER,
    Mark.UNREADABLE_NAME: LabelName.ILLEGIBLE,
}
CONDITIONS: dict[Mark, Condition] = {
    Mark.EMPTY: Condition.EMPTY,
    Mark.TWO_VIALS: Condition.TWO_VIALS,
    Mark.LEAKING: Condition.LEAKING,
    Mark.LEAKING_BELOW_MARK: Condition.LEAKING_BELOW_MARK,
    Mark.OVER_FULL: Condition.OVER_FULL,
    Mark.CLEAN_STICK: Condition.CLEAN_STICK,
    Mark.BUFFER_LOST: Condition.BUFFER_LOST,
    Mark.DAMAGED: Condition.DAMAGED,
    Mark.VISIBLE_BLOOD: Condition.VISIBLE_BLOOD,
}


def marks_read(condition: str) -> frozenset[Mark]:
    """The marks in a text such as ``"leaking note_enclosed"``; ``good`` and an empty text mean none.

    ValueError names a word that is no mark.
    """
    words = condition.replace(",", " ").split()
    return frozenset(Mark(word) for word in words if word != Condition.GOOD.value)


_COMMANDS = (
    Card("RB-ACKNOWLEDGE", _("ACKNOWLEDGE – clear the alarm"), Heard.ACKNOWLEDGE),
    Card("RB-UNDO", _("UNDO – the last kit"), Heard.UNDO),
    Card("RB-NEWTRAY", _("NEW TRAY – close this one"), Heard.NEW_TRAY),
    Card("RB-PAUSE", _("PAUSE – print the slip for the box"), Heard.PAUSE),
    Card("RB-NAMEFITS", _("NAME FITS – with the stored day"), Heard.DAY, STORED_DAY, "day"),
    Card("RB-SAMEDAY", _("SAME DAY – as the last kit"), Heard.DAY, "+", "day"),
    Card("RB-NODATE", _("NO DATE – on the label"), Heard.DAY, ".", "day"),
    Card("RB-OTHERMONTH", _("OTHER MONTH – on the label"), Heard.DAY, CollectionCommand.OTHER_MONTH, "day"),
    Card(
        "RB-IMPOSSIBLE",
        _("IMPOSSIBLE DATE – no such day"),
        Heard.DAY,
        CollectionCommand.IMPOSSIBLE_DATE,
        "day",
    ),
    Card("RB-FUTURE", _("FUTURE DATE – still to come"), Heard.DAY, CollectionCommand.FUTURE_DATE, "day"),
)
_ASIDE = (
    Card("RB-SETASIDE-NONAME", _("No name on the label"), Heard.MARK, Mark.NO_NAME, "aside"),
    Card("RB-SETASIDE-OTHERNAME", _("Another name on the label"), Heard.MARK, Mark.OTHER_NAME, "aside"),
    Card("RB-SETASIDE-UNREADABLE", _("The name cannot be read"), Heard.MARK, Mark.UNREADABLE_NAME, "aside"),
    Card("RB-SETASIDE-BIRTHDATE", _("Another birth date"), Heard.MARK, Mark.OTHER_BIRTH_DATE, "aside"),
    Card("RB-SETASIDE-EMPTY", _("Empty envelope"), Heard.MARK, Mark.EMPTY, "aside"),
    Card("RB-SETASIDE-TWOVIALS", _("Two vials in one envelope"), Heard.MARK, Mark.TWO_VIALS, "aside"),
    Card("RB-SETASIDE-LEAKING", _("Leaking"), Heard.MARK, Mark.LEAKING, "aside"),
    Card("RB-SETASIDE-BELOWMARK", _("Leaked below the mark"), Heard.MARK, Mark.LEAKING_BELOW_MARK, "aside"),
    Card("RB-SETASIDE-OVERFULL", _("Over-full"), Heard.MARK, Mark.OVER_FULL, "aside"),
    Card("RB-SETASIDE-CLEANSTICK", _("No stool on the stick"), Heard.MARK, Mark.CLEAN_STICK, "aside"),
    Card("RB-SETASIDE-OPENED", _("Vial opened or spilled"), Heard.MARK, Mark.BUFFER_LOST, "aside"),
    Card("RB-SETASIDE-DAMAGED", _("Damaged on its way"), Heard.MARK, Mark.DAMAGED, "aside"),
    Card("RB-NOTE-ENCLOSED", _("A note is enclosed"), Heard.MARK, Mark.NOTE_ENCLOSED, "note"),
    Card("RB-NOTE-BLOOD", _("Blood can be seen"), Heard.MARK, Mark.VISIBLE_BLOOD, "note"),
)
_DAYS = tuple(
    Card(f"RB-DAY-{day:02d}", format_lazy(_("Day {day}"), day=day), Heard.DAY, str(day), "month")
    for day in range(1, 32)
)
CARDS: dict[str, Card] = {card.code: card for card in (*_COMMANDS, *_ASIDE, *_DAYS)}
_BY_NAME = {
    "ACKNOWLEDGE": "RB-ACKNOWLEDGE", "UNDO": "RB-UNDO", "UNDOLAST": "RB-UNDO", "NEWTRAY": "RB-NEWTRAY",
    "PAUSE": "RB-PAUSE", "NAMEFITS": "RB-NAMEFITS", "SAMEDAY": "RB-SAMEDAY", "NODATE": "RB-NODATE",
    "OTHERMONTH": "RB-OTHERMONTH", "IMPOSSIBLEDATE": "RB-IMPOSSIBLE", "FUTUREDATE": "RB-FUTURE",
}  # fmt: skip
"""The names by which messages call the cards, typed by hand. Each card's title begins with its name."""
_BY_BARE_CODE = {code.replace("-", ""): card for code, card in CARDS.items()}

_DAY = re.compile(r"[0-9]{1,2}([/.-][0-9]{1,2}([/.-][0-9]{2,4})?\.?)?|[0-9]{4}-[0-9]{2}-[0-9]{2}|[.+=]")
_TRAY = re.compile(r"RB-?TRAY-?([A-Z0-9]{1,8})")
_SLIP = re.compile(r"RB-?SESSION-?([0-9]{1,12})")
_AIM = re.compile(r"^\][A-Z][0-9A-Z]")
_SHORT = 6


def tray_card(label: str) -> str:
    """The text of the barcode on a tray."""
    return f"RB-TRAY-{label}"


def slip_card(session_id: int) -> str:
    """The text of the barcode on the slip of a session that was paused."""
    return f"RB-SESSION-{session_id}"


def understand(raw: str, prefix: str = DEFAULT_PREFIX) -> Utterance:
    """What one scan or keyed line is; a code that is no serial of ours is foreign unless it looks misread."""
    text = "".join(raw.split()).upper()
    if not text:
        return Utterance(Heard.NOTHING)
    if _DAY.fullmatch(text):
        return Utterance(Heard.DAY, text)
    bare = _AIM.sub("", text)
    for pattern, kind in ((_TRAY, Heard.NEW_TRAY), (_SLIP, Heard.SLIP)):
        if match := pattern.fullmatch(bare):
            return Utterance(kind, match[1])
    if bare == "ACKNOWLEDGE":
        return Utterance(
            Heard.UNKNOWN_CARD, bare, _("Scan the card ACKNOWLEDGE; its name typed clears no alarm.")
        )
    bare = _BY_NAME.get(bare, bare)
    if bare.startswith((CARD_PREFIX, CARD_PREFIX.rstrip("-") + "SETASIDE")):
        card = _BY_BARE_CODE.get(bare.replace("-", ""))
        return Utterance(card.kind, card.value) if card else Utterance(Heard.UNKNOWN_CARD, bare)
    try:
        return Utterance(Heard.SERIAL, serial_read(raw, prefix))
    except SerialError as error:
        misread = bare.startswith(prefix) or len(bare) < _SHORT
        return Utterance(Heard.MISREAD if misread else Heard.FOREIGN, bare, error.sentence)


_BY_VALUE = {card.value: card for card in _COMMANDS if card.kind is Heard.DAY}


def heard_in_words(raw: str) -> Words:
    """What was scanned or keyed, as a list shows it: a card by its title, a day as "day 19", anything else as it came."""
    said = understand(raw)
    if said.kind is Heard.DAY:
        card = _BY_VALUE.get(said.value)
        return card.label if card else format_lazy(_("day {day}"), day=said.value)
    if said.kind in (Heard.SERIAL, Heard.FOREIGN, Heard.MISREAD, Heard.NOTHING):
        return raw
    bare = _AIM.sub("", "".join(raw.split()).upper())
    found = _BY_BARE_CODE.get(_BY_NAME.get(bare, bare).replace("-", ""))
    return found.label if found else raw
