"""The letter texts: which words, in which version, language and form, and the digest that proves them."""

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache, cached_property
from pathlib import Path

from django.conf import settings

from outreach.catalogue import KINDS
from outreach.kinds import DOCTOR, MESSAGE, PERSON
from outreach.letters.words import FORMS, Variant, problems_of, words_read

DEFAULT_LANGUAGE = "en"
LANGUAGES = ("en", "ar")
REVIEWED = frozenset({"en"})
"""Languages whose words a translator has looked at; the others say so on the paper."""
MISSING = "⟦missing⟧"
"""What an unresolved field prints as; a document that contains it is refused."""
RIGHT_TO_LEFT = frozenset({"ar"})
SHARED = 1
FROM_THE_START = date(2000, 1, 1)
COMMON_FIELDS = (
    "language", "recipient_name", "address", "written_on", "programme", "phone", "hours", "person_number",
)  # fmt: skip


@dataclass(frozen=True)
class Text:
    """One version of one letter's words, with all its variants; a changed word is a new version."""

    kind: str
    number: int
    source: str
    shared: int = SHARED
    valid_from: date = FROM_THE_START

    @property
    def version_id(self) -> str:
        """What all variants share, so that what was said can be proved."""
        return f"{self.kind}-{self.number}"

    @cached_property
    def variants(self) -> dict[tuple[str, str], Variant]:
        """The words by language and form."""
        return words_read(self.source)

    @cached_property
    def digest(self) -> str:
        """SHA-256 over the words of every variant and the shared passages."""
        whole = self.source.encode() + b"\0" + shared_source(self.shared).encode()
        return hashlib.sha256(whole).hexdigest()


@dataclass(frozen=True)
class Chosen:
    """The variant of a text that one letter uses."""

    text: Text
    language: str
    form: str

    @property
    def version(self) -> str:
        """The id that is frozen with the letter and printed on it: version id, language, form."""
        tail = "" if self.form == "standard" else f"-{self.form}"
        return f"{self.text.version_id}-{self.language}{tail}"

    @property
    def variant(self) -> Variant:
        """The words; large print has the words of the standard form."""
        return self.text.variants[self.language, "easy" if self.form == "easy" else "standard"]


def _folder() -> Path:
    return Path(settings.BASE_DIR) / "templates" / "letters" / "words"


@cache
def shared_source(number: int) -> str:
    """The shared passages as written."""
    return (_folder() / f"_shared_{number}.txt").read_text(encoding="utf-8")


@cache
def passages_of(number: int) -> dict[str, dict[str, str]]:
    """The shared passages by language and name."""
    found: dict[str, dict[str, str]] = {}
    language, name = "", ""
    for line in shared_source(number).splitlines():
        if line.startswith("=== "):
            language = line.removeprefix("=== ").strip()
        elif line.startswith("--- "):
            name = line.removeprefix("--- ").strip()
            found.setdefault(language, {})[name] = ""
        elif line.strip():
            found[language][name] = f"{found[language][name]}\n{line.strip()}".strip()
    return found


@cache
def phrases_of(number: int, language: str) -> dict[str, str]:
    """The fixed words around a letter's body."""
    lines = passages_of(number)[language]["phrases"].splitlines()
    return {name.strip(): words.strip() for name, _eq, words in (line.partition("=") for line in lines)}


@cache
def texts_delivered() -> tuple[Text, ...]:
    """The texts that come with the software, oldest version first."""
    found = []
    for path in sorted(_folder().glob("[a-z]*.txt")):
        kind, _underline, number = path.stem.rpartition("_")
        found.append(Text(kind, int(number), path.read_text(encoding="utf-8")))
    return tuple(sorted(found, key=lambda text: (text.kind, text.number)))


def _stored(kind: str = "", number: int = 0) -> Mapping[str, Text]:
    from outreach.models import LetterText

    rows = LetterText.objects.filter(approved_by__isnull=False)
    if kind:
        rows = rows.filter(kind=kind, number=number)
    return {
        f"{row.kind}-{row.number}": Text(
            row.kind, row.number, row.words, row.shared, row.valid_from or date.max
        )
        for row in rows
    }


def texts_on(day: date) -> dict[str, Text]:
    """Kind → the newest text in force on a day: delivered with the software or approved here."""
    newest: dict[str, Text] = {}
    for text in (*texts_delivered(), *_stored().values()):
        if text.valid_from <= day and (text.kind not in newest or newest[text.kind].number < text.number):
            newest[text.kind] = text
    return newest


def chosen_from(text: Text, language: str, form: str) -> Chosen:
    """The variant for a person's language and form, or the nearest there is."""
    wanted = language.split("-")[0].lower()
    code = wanted if (wanted, "standard") in text.variants else DEFAULT_LANGUAGE
    if form == "easy" and (code, "easy") not in text.variants:
        form = "large"
    return Chosen(text, code, form if form in FORMS else "standard")


_VERSION = re.compile(r"^(?P<kind>[a-z_]+)-(?P<number>\d+)-(?P<language>[a-z]{2})(?:-(?P<form>easy|large))?$")


def text_of(version: str) -> Chosen:
    """The text that a frozen letter names; kept for as long as letters name it."""
    found = _VERSION.match(version)
    if found is None:
        raise LookupError(f"No text {version}.")
    wanted = f"{found['kind']}-{found['number']}"
    text = _delivered_by_id().get(wanted) or _stored(found["kind"], int(found["number"])).get(wanted)
    if text is None:
        raise LookupError(f"No text {version}.")
    return Chosen(text, found["language"], found["form"] or "standard")


@cache
def _delivered_by_id() -> dict[str, Text]:
    return {text.version_id: text for text in texts_delivered()}


def words_digest(version: str) -> str:
    """SHA-256 over the words of a text and of the shared passages."""
    return text_of(version).text.digest


@cache
def fields_of(kind: str) -> tuple[str, ...]:
    """Every field a text of this kind may name."""
    declared = KINDS[kind]
    return (*COMMON_FIELDS, *(("name",) if declared.recipient == PERSON else ()), *declared.fields)


def variants_wanted(kind: str) -> list[tuple[str, str]]:
    """The variants a text of this kind must have: a message all languages; large print needs no words of its own."""
    declared = KINDS[kind]
    if declared.channel == MESSAGE:
        return [(language, "standard") for language in LANGUAGES]
    if not declared.every_variant:
        return [(DEFAULT_LANGUAGE, "standard")]
    forms = ("standard",) if declared.recipient == DOCTOR else ("standard", "easy")
    return [(language, form) for language in LANGUAGES for form in forms]


def text_problems(kind: str, source: str) -> list[str]:
    """Why these words may not be used for this kind; empty when they may."""
    try:
        variants = words_read(source)
    except ValueError as unread:
        return [str(unread)]
    return problems_of(
        variants, fields=fields_of(kind), cautions=KINDS[kind].cautions, shared=passages_of(SHARED),
        wanted=variants_wanted(kind),
    )  # fmt: skip
