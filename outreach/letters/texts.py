"""The letter texts: which words, in which language and version, and the digest that proves them."""

import hashlib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from django.conf import settings
from django.template.backends.django import DjangoTemplates

DEFAULT_LANGUAGE = "en"
MISSING = "⟦missing⟧"
"""What an unresolved field prints as; a document that contains it is refused."""


@dataclass(frozen=True)
class Text:
    """One version of one letter's words in one language; a changed word is a new version in a new file."""

    kind: str
    number: int
    language: str
    reviewed: bool = True

    @property
    def version(self) -> str:
        """The id that is frozen with the letter and printed on it."""
        return f"{self.kind}-{self.number}-{self.language}"

    @property
    def template(self) -> str:
        """The file that holds the words."""
        return f"letters/{self.language}/{self.kind}_{self.number}.html"


TEXTS = (
    Text("invitation", 1, "en"),
    Text("reminder", 1, "en"),
    Text("replacement", 1, "en"),
    Text("replacement", 2, "en"),
    Text("sample_question", 1, "en"),
    Text("result_below", 1, "en"),
    Text("result_more_tests", 1, "en"),
    Text("doctor_copy", 1, "en"),
    Text("next_step", 1, "en"),
    Text("next_step_doctor", 1, "en"),
    Text("invitation", 1, "ar", reviewed=False),
    Text("result_below", 1, "ar", reviewed=False),
    Text("result_more_tests", 1, "ar", reviewed=False),
)
_BY_VERSION = {text.version: text for text in TEXTS}
RIGHT_TO_LEFT = frozenset({"ar"})


def text_in_use(kind: str, language: str) -> Text:
    """The newest text of a kind in the person's language if there is one, else in the default language."""
    wanted = language.split("-")[0].lower()
    for code in (wanted, DEFAULT_LANGUAGE):
        found = [text for text in TEXTS if text.kind == kind and text.language == code]
        if found:
            return max(found, key=lambda text: text.number)
    raise LookupError(f"No text for letters of kind {kind}.")


def text_of(version: str) -> Text:
    """The text that a frozen letter names; kept for as long as letters name it."""
    return _BY_VERSION[version]


@cache
def engine() -> DjangoTemplates:
    """The templates of letters, in which an unknown field prints a mark instead of nothing."""
    return DjangoTemplates(
        {
            "NAME": "letters",
            "DIRS": [settings.BASE_DIR / "templates"],
            "APP_DIRS": False,
            "OPTIONS": {"string_if_invalid": MISSING},
        }
    )


@cache
def words_digest(version: str) -> str:
    """SHA-256 over the words of a text and of the shared passages it includes."""
    seen: dict[str, bytes] = {}
    _collect(text_of(version).template, seen)
    digest = hashlib.sha256()
    for name in sorted(seen):
        digest.update(name.encode() + b"\0" + seen[name] + b"\0")
    return digest.hexdigest()


_INCLUDE = re.compile(rb"\{%\s*include\s+\"(letters/[a-z]{2}/[a-z_0-9]+\.html)\"")


def _collect(name: str, seen: dict[str, bytes]) -> None:
    if name in seen:
        return
    seen[name] = (Path(settings.BASE_DIR) / "templates" / name).read_bytes()
    for included in _INCLUDE.findall(seen[name]):
        _collect(included.decode(), seen)
