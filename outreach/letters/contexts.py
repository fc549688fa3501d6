"""What a letter says about its person: the finished words of the fields its kind declares, and their checksum."""

import hashlib
import json
import re
from collections.abc import Mapping
from typing import Any

from outreach.letters.texts import fields_of
from outreach.letters.words import CLASS_FIELDS, SIZES
from staff.errors import RoundbookError

MARKS = re.compile(r"\{\{|\{%|\}\}|⟦")
OPTIONAL = frozenset(
    {
        "next_invitation", "collected_on", "practice_name", "birth_date", "person_number", "call_by", "next_on",
        "histology", "examined_on", "medicine_plan", "preparation", "until", "told_on", "value", "cutoff",
        "authorised_on", "handed_to",
    }
)  # fmt: skip
"""Fields that may be empty; the row stays, with a dash, so that nothing moves."""
MOST_CHARACTERS = {
    "name": 120, "recipient_name": 120, "exam_place": 160, "finding": 200, "what_went_wrong": 160, "question": 160,
    "handed_to": 160, "words": SIZES[-1][0], "reply": SIZES[-1][0], "histology": SIZES[-1][0],
    "medicine_plan": SIZES[-1][0],
}  # fmt: skip
"""What fits the reserved boxes; longer words are a person's to shorten."""


def context_words(kind: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """The context as it is stored; refuses empty fields, template marks and a name nobody could be greeted by."""
    words = {name: given[name] for name in fields_of(kind)}
    bare = CLASS_FIELDS | OPTIONAL
    empty = [name for name, value in words.items() if value in ("", [], None) and name not in bare]
    if empty:
        raise RoundbookError("letter_incomplete", f"The letter lacks: {', '.join(empty)}.", fields=empty)
    if MARKS.search("\n".join(map(str, words.values()))):  # all at once, since hardly any letter has one
        marked = [name for name, value in words.items() if MARKS.search(str(value))]
        raise RoundbookError(
            "letter_unresolved", f"The letter holds template marks in: {', '.join(marked)}.", fields=marked
        )
    long = [name for name, most in MOST_CHARACTERS.items() if len(str(words.get(name) or "")) > most]
    if long:
        raise RoundbookError("letter_too_long", f"Too long for a letter: {', '.join(long)}.", fields=long)
    greeted = str(words.get("name", words["recipient_name"]))
    if not any(letter.isalpha() for letter in greeted):
        raise RoundbookError("letter_greeting", "The name cannot be used in a greeting.", fields=["name"])
    return words


def checksum_of(*, text_version: str, words_digest: str, context: Mapping[str, Any]) -> str:
    """SHA-256 that ties a letter to its words and its context."""
    whole = {"text": text_version, "words": words_digest, "context": dict(context)}
    return hashlib.sha256(json.dumps(whole, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
