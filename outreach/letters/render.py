"""Turns frozen letters into one tagged PDF: each checked against its checksum, letters alike laid out once and filled."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from django.utils.html import escape

from outreach.catalogue import KINDS
from outreach.letters.barcodes import PICTURE_WORDS, pictures
from outreach.letters.contexts import checksum_of
from outreach.letters.slots import own, own_code, unmarked
from outreach.letters.stamping import Draft, letters_stamp
from outreach.letters.texts import MISSING, Chosen, passages_of, phrases_of, text_of
from outreach.letters.typeset import PDF_UA, Article, plainly, settled
from outreach.letters.words import CLASS_FIELDS, Drawings, apart, markup, size_class, slot_boxes
from staff.errors import RoundbookError

ALIKE_ENOUGH = 3
"""From so many letters alike on, laying one out and filling in the others is cheaper than laying out each."""


@dataclass(frozen=True)
class Sheet:
    """One frozen letter to be laid out: the token of its pages, its text version, context and checksum."""

    token: str
    text_version: str
    context: Mapping[str, Any]
    checksum: str
    chosen: Chosen | None = None
    """The words themselves, for a trial of words that are not in force."""

    @property
    def words(self) -> Chosen:
        """The text of this letter."""
        return self.chosen or text_of(self.text_version)


@dataclass(frozen=True)
class Rendered:
    """A document and how many pages each of its letters takes, in order."""

    content: bytes
    pages: list[int]


def letters_render(sheets: Sequence[Sheet], *, title: str, alike_enough: int = ALIKE_ENOUGH) -> Rendered:
    """Lay the letters out as one PDF/UA document in their order; each starts on a page of its own.

    Letters that are alike but for what is the person's own are laid out once and filled in; the others are laid out
    one by one, which is how all are when `alike_enough` is 0. Pages are counted from the layout itself, and each
    letter's last page number is printed on its pages. Raises RoundbookError when a frozen letter no longer matches
    its checksum, or a field of its text is unresolved.
    """
    drafts = [_draft(sheet) for sheet in sheets]
    made = letters_stamp(drafts, title=title, alike_enough=alike_enough) if alike_enough else None
    if made is not None:
        return Rendered(*made)
    document, pages = settled([draft.whole for draft in drafts], title=title)
    return Rendered(document.write_pdf(pdf_variant=PDF_UA), pages)


def letter_render_plainly(sheet: Sheet) -> bytes:
    """One letter as anyone would first make it with the library: a limit to measure against."""
    return plainly(_draft(sheet).whole)


def _draft(sheet: Sheet) -> Draft:
    chosen = sheet.words
    found = checksum_of(
        text_version=sheet.text_version, words_digest=chosen.text.digest, context=sheet.context
    )
    if found != sheet.checksum:
        raise RoundbookError(
            "letter_changed",
            "The words of a frozen letter are not those that were frozen. Tell the administrator; nothing was printed.",
            token=sheet.token,
        )
    body = _marked(sheet)
    if MISSING in body:
        raise RoundbookError(
            "letter_unresolved",
            "A field of a letter text is unresolved. Nothing was printed.",
            token=sheet.token,
        )
    article = Article(
        sheet.token, chosen.version, chosen.language, chosen.form, body, _layout_of(sheet),
        KINDS[chosen.text.kind].pages,
    )  # fmt: skip
    return Draft(article, partial(_boxes, sheet))


def _words(sheet: Sheet) -> dict[str, Any]:
    return {name: unmarked(value) for name, value in sheet.context.items()}


def _marked(sheet: Sheet) -> str:
    """The markup of a letter, slots marked."""
    chosen, words = sheet.words, _words(sheet)
    drawings = Drawings(pictures(), PICTURE_WORDS.get(chosen.language))
    shared = passages_of(chosen.text.shared)[chosen.language]
    return _head(chosen, words, sheet.token) + markup(chosen.variant, words, shared, drawings)


def _boxes(sheet: Sheet) -> list[tuple[str, str, str]]:
    """The box of each slot by itself, in their order."""
    chosen, words = sheet.words, _words(sheet)
    address, mark, facts, greeting = _slots_of_head(chosen, words, sheet.token)
    head = [
        ('<div class="head"><div class="window">', address, "</div></div>"), ("", mark, ""),
        ('<div class="head">', facts, "</div>"), ("", greeting, ""),
    ]  # fmt: skip
    return head + slot_boxes(chosen.variant, words, passages_of(chosen.text.shared)[chosen.language])


def _head(chosen: Chosen, words: Mapping[str, Any], token: str) -> str:
    """Sender, window with the address and the token to scan, date and number, and the greeting: reserved boxes."""
    phrases = phrases_of(chosen.text.shared, chosen.language)
    address, mark, facts, greeting = _slots_of_head(chosen, words, token)
    value = {name: apart(str(words.get(name) or "")) for name in ("programme", "phone", "hours")}
    draft = f'<p class="draft">{escape(phrases["draft"])}</p>' if "draft" in phrases else ""
    return (
        f'<div class="head"><p class="from"><b>{value["programme"]}</b><br>{escape(phrases["phone"])} {value["phone"]}<br>'
        f'{value["hours"]}</p><div class="window"><p class="back">{value["programme"]}</p>{address}'
        f'<span class="mark">{mark}</span></div>{facts}</div>{draft}{greeting}'
    )


def _slots_of_head(chosen: Chosen, words: Mapping[str, Any], token: str) -> tuple[str, str, str, str]:
    """Address, token, date and number, greeting."""
    phrases = phrases_of(chosen.text.shared, chosen.language)
    lines = "".join(
        f"<span>{escape(str(line))}</span>" for line in (words["recipient_name"], *words["address"])
    )
    if "name" in words:
        number = words.get("person_number")
        second = f"{escape(phrases['your_number'])} {apart(str(number))}" if number else ""
        greeting = escape(phrases["dear"]).replace("{name}", apart(str(words["name"])))
    else:
        second, greeting = escape(phrases["in_confidence"]), escape(phrases["dear_colleague"])
    facts = f"<span>{apart(str(words['written_on']))}</span><span>{second}</span>"
    return (
        own("address", lines), own_code("data_matrix", token), own("p", facts, ' class="facts"'),
        own("p", greeting, ' class="greeting"'),
    )  # fmt: skip


def _layout_of(sheet: Sheet) -> tuple[str, ...]:
    sizes = [
        size_class(str(sheet.context.get(name) or ""))
        for name in ("words", "reply", "histology", "medicine_plan")
    ]
    return (sheet.text_version, *(str(sheet.context.get(name, "")) for name in sorted(CLASS_FIELDS)), *sizes)
