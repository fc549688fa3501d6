"""Practice: made-up kits with serials of their own, judged by the real rules; nothing of them is kept but the scans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from django.utils.translation import gettext_lazy as _

from screening.serials import DEFAULT_PREFIX, SERIAL_DIGITS, SerialError, serial_make, serial_read
from screening.services.intake_answers import Earlier
from screening.services.intake_cards import Heard, Utterance, Words, understand
from screening.services.intake_effects import KitFacts

PRACTICE_PREFIX = "ZZ"
SHEET = 20
_NAMES = (
    ("Ilse Vantern", 1961), ("Bram Ostrelle", 1957), ("Nadia Quell", 1969), ("Piet Sandrow", 1954),
    ("Orla Tibbens", 1972), ("Jory Malkin", 1963), ("Sanna Weft", 1959), ("Ruud Calder", 1966),
)  # fmt: skip
SITUATIONS: dict[int, Words] = {
    0: _("a kit of a round that had closed"),
    3: _("a person who has died"),
    5: _("a replacement kit"),
    7: _("a lot in quarantine"),
    9: _("another kit out at the same address"),
}
"""By the last figure of the running number; every other kit is in order."""


def practice_serials(count: int = SHEET) -> list[str]:
    """The serials of the practice sheet."""
    return [serial_make(number, PRACTICE_PREFIX) for number in range(1, count + 1)]


def practice_understand(raw: str) -> Utterance:
    """What was scanned in a practice session: practice serials count, real ones are somebody else's."""
    try:
        return Utterance(Heard.SERIAL, serial_read(raw, PRACTICE_PREFIX))
    except SerialError as error:
        said = understand(raw)
        if said.value.startswith(PRACTICE_PREFIX):
            return Utterance(Heard.MISREAD, said.value, error.sentence)
    if said.kind is Heard.SERIAL or said.value.startswith(DEFAULT_PREFIX):
        return Utterance(
            Heard.FOREIGN, said.value, _("A real kit in a practice session: nothing was logged.")
        )
    return said


def practice_named(earlier: Sequence[Earlier], today: date) -> tuple[Earlier, ...]:
    """Earlier scans of a practice session with the made-up serials and names they were about."""
    named = []
    for one in earlier:
        said = practice_understand(one.raw)
        kit = practice_facts(said.value, today, has_return=False) if said.kind is Heard.SERIAL else None
        known: dict[str, Any] = (
            {"serial": kit.serial, "name": kit.name, "birth_year": kit.birth_year} if kit else {}
        )
        named.append(replace(one, **known))
    return tuple(named)


def practice_facts(serial: str, today: date, *, has_return: bool) -> KitFacts | None:
    """A made-up kit; the last figure of its number decides what is the matter with it."""
    if not serial.startswith(PRACTICE_PREFIX):
        return None
    number = int(serial[len(PRACTICE_PREFIX) : len(PRACTICE_PREFIX) + SERIAL_DIGITS])
    kind, (name, born) = number % 10, _NAMES[number % len(_NAMES)]
    facts = KitFacts(
        kit_id=0, serial=serial, kit_state="returned" if has_return else "dispatched", kit_seq=3,
        dispatched_on=today - timedelta(days=12), voided=False, ordinal=1, lot_quarantined=kind == 7,
        lot_expires_on=today + timedelta(days=200), age_limit_days=14, has_return=has_return, round_id=0,
        round_state="kit_out", name=name, birth_year=born,
    )  # fmt: skip
    if kind == 0:
        facts.round_state, facts.round_reason = "closed", "not_returned"
    facts.person_died, facts.household_kit_out = kind == 3, kind == 9
    facts.ordinal = 2 if kind == 5 else 1
    return facts
