"""What a letter says about its person: one dataclass a kind, made of finished words, and its checksum."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from staff.errors import RoundbookError

OPTIONAL = frozenset(
    {
        "next_invitation",
        "collected_on",
        "practice_name",
        "birth_date",
        "person_number",
        "call_by",
        "next_on",
        "histology",
        "examined_on",
    }
)
"""Fields that may be empty; every text says something sensible without them."""


@dataclass(frozen=True)
class Common:
    """What every letter carries: who it is for, where it goes, and whom to ask."""

    language: str
    recipient_name: str
    address: list[str]
    written_on: str
    programme: str
    phone: str
    hours: str
    person_number: str


@dataclass(frozen=True)
class ToPerson(Common):
    """A letter to the person, who is addressed by name."""

    name: str


@dataclass(frozen=True)
class Invitation(ToPerson):
    """Invitation with the kit in the same envelope."""

    serial: str


@dataclass(frozen=True)
class Reminder(ToPerson):
    """Reminder for a kit that was sent on a day."""

    sent_on: str


@dataclass(frozen=True)
class Replacement(ToPerson):
    """Replacement kit, with what went wrong, and whether a kit came back that could not be tested."""

    serial: str
    what_went_wrong: str
    came_back: bool


@dataclass(frozen=True)
class SampleQuestion(ToPerson):
    """One question about a kit that is set aside, with the day by which the answer still helps."""

    question: str
    call_by: str


@dataclass(frozen=True)
class ResultBelow(ToPerson):
    """Result below the cutoff, with the month of the next invitation."""

    value: str
    cutoff: str
    collected_on: str
    next_invitation: str


@dataclass(frozen=True)
class ResultMoreTests(ToPerson):
    """Result at or above the cutoff, with the day by which we call."""

    value: str
    cutoff: str
    call_by: str


@dataclass(frozen=True)
class DoctorCopy(Common):
    """Copy for the practice, either side of the cutoff."""

    practice_name: str
    person_name: str
    birth_date: str
    value: str
    cutoff: str
    at_or_above: bool
    collected_on: str
    authorised_on: str
    next_invitation: str


@dataclass(frozen=True)
class NextStepLetter(ToPerson):
    """What the examination found and the signed next step; `step` is its code, `words` the clinician's own."""

    examined_on: str
    finding: str
    step: str
    next_on: str
    words: str


@dataclass(frozen=True)
class NextStepDoctor(Common):
    """The finding and the signed next step for the practice, in the trade's words."""

    practice_name: str
    person_name: str
    birth_date: str
    examined_on: str
    finding_name: str
    histology: str
    step: str
    next_on: str
    words: str
    signed_by: str


CONTEXTS: Mapping[str, type[Common]] = {
    "invitation": Invitation,
    "reminder": Reminder,
    "replacement": Replacement,
    "sample_question": SampleQuestion,
    "result_below": ResultBelow,
    "result_more_tests": ResultMoreTests,
    "doctor_copy": DoctorCopy,
    "next_step": NextStepLetter,
    "next_step_doctor": NextStepDoctor,
}


def context_words(context: Common) -> dict[str, Any]:
    """The context as it is stored; refuses empty fields, template marks and a name nobody could be greeted by."""
    words = asdict(context)
    empty = [f.name for f in fields(context) if words[f.name] in ("", [], None) and f.name not in OPTIONAL]
    if empty:
        raise RoundbookError("letter_incomplete", f"The letter lacks: {', '.join(empty)}.", fields=empty)
    marked = [name for name, value in words.items() if _has_mark(value)]
    if marked:
        raise RoundbookError(
            "letter_unresolved", f"The letter holds template marks in: {', '.join(marked)}.", fields=marked
        )
    greeted = str(words.get("name", words["recipient_name"]))
    if not any(letter.isalpha() for letter in greeted):
        raise RoundbookError("letter_greeting", "The name cannot be used in a greeting.", fields=["name"])
    return words


def _has_mark(value: object) -> bool:
    texts = value if isinstance(value, list) else [value]
    return any(mark in str(text) for text in texts for mark in ("{{", "{%", "}}", "⟦"))


def checksum_of(*, text_version: str, words_digest: str, context: Mapping[str, Any]) -> str:
    """SHA-256 that ties a letter to its words and its context."""
    whole = {"text": text_version, "words": words_digest, "context": dict(context)}
    return hashlib.sha256(json.dumps(whole, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
