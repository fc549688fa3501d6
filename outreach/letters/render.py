"""Turns frozen letters into one tagged PDF; the only module that imports WeasyPrint, and only when it is needed."""

import atexit
import base64
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.conf import settings
from django.utils.html import escape

from outreach.catalogue import KINDS
from outreach.letters.barcodes import PICTURE_WORDS, code128_data_uri, data_matrix_data_uri, pictures
from outreach.letters.contexts import checksum_of
from outreach.letters.texts import MISSING, RIGHT_TO_LEFT, Chosen, passages_of, phrases_of, text_of
from outreach.letters.words import CLASS_FIELDS, Drawings, markup, size_class
from staff.errors import RoundbookError

_TRIES = 3


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


def letters_render(sheets: Sequence[Sheet], *, title: str) -> Rendered:
    """Lay the letters out as one PDF/UA document in their order; each starts on a page of its own.

    Pages are counted from the layout itself. Each letter's last page number is printed on its pages, so the document
    is laid out again when a letter turns out longer than its kind usually is. Raises RoundbookError when a frozen
    letter no longer matches its checksum, or a field of its text is unresolved.
    """
    bodies = [_body(sheet) for sheet in sheets]
    pages = [_pages_guessed(sheet) for sheet in sheets]
    for _try in range(_TRIES):
        document = _lay_out(sheets, bodies, pages, title)
        measured = _pages_of(document, len(sheets))
        _PAGES_SEEN.update({_layout_of(sheet): count for sheet, count in zip(sheets, measured, strict=True)})
        if measured == pages:
            return Rendered(document.write_pdf(pdf_variant="pdf/ua-1"), measured)
        pages = measured
    raise RoundbookError(
        "pages_unsettled", "The pages of a letter could not be counted. Tell the administrator."
    )


def _body(sheet: Sheet) -> str:
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
    words = dict(sheet.context)
    drawings = Drawings(
        code128_data_uri(words["serial"]) if words.get("serial") else "",
        pictures(),
        PICTURE_WORDS.get(chosen.language),
    )
    shared = passages_of(chosen.text.shared)[chosen.language]
    body = _head(chosen, words, sheet.token) + markup(chosen.variant, words, shared, drawings)
    if MISSING in body:
        raise RoundbookError(
            "letter_unresolved",
            "A field of a letter text is unresolved. Nothing was printed.",
            token=sheet.token,
        )
    return body


def _head(chosen: Chosen, words: Mapping[str, Any], token: str) -> str:
    """Sender, window with the address and the token to scan, date and number, and the greeting: reserved boxes."""
    phrases = phrases_of(chosen.text.shared, chosen.language)
    value = {
        name: f"<bdi>{escape(str(words.get(name) or ''))}</bdi>" for name in ("programme", "phone", "hours")
    }
    lines = "".join(
        f"<span>{escape(str(line))}</span>" for line in (words["recipient_name"], *words["address"])
    )
    person = "name" in words
    if person:
        number = words.get("person_number")
        second = f"{escape(phrases['your_number'])} <bdi>{escape(str(number))}</bdi>" if number else ""
    else:
        second = escape(phrases["in_confidence"])
    greeting = (
        escape(phrases["dear"]).replace("{name}", f"<bdi>{escape(str(words['name']))}</bdi>")
        if person
        else escape(phrases["dear_colleague"])
    )
    draft = f'<p class="draft">{escape(phrases["draft"])}</p>' if "draft" in phrases else ""
    return (
        f'<div class="head"><p class="from"><b>{value["programme"]}</b><br>{escape(phrases["phone"])} {value["phone"]}<br>'
        f'{value["hours"]}</p><div class="window"><p class="back">{value["programme"]}</p><address>{lines}</address>'
        f'<span class="mark"><img src="{data_matrix_data_uri(token)}" alt="{escape(token)}"></span></div>'
        f'<p class="facts"><span>{escape(str(words["written_on"]))}</span><span>{second}</span></p></div>'
        f'{draft}<p class="greeting">{greeting}</p>'
    )


def _article(number: int, sheet: Sheet, body: str, pages: int) -> str:
    chosen = sheet.words
    direction = "rtl" if chosen.language in RIGHT_TO_LEFT else "ltr"
    return (
        f'<article id="letter-{number}" class="{chosen.form}" lang="{chosen.language}" dir="{direction}"'
        f' data-token="{escape(sheet.token)}" data-version="{escape(chosen.version)}" data-pages="{pages}">{body}</article>'
    )


_PAGES_SEEN: dict[tuple[str, ...], int] = {}
"""How many pages letters of the same layout took last time: a guess that saves a second layout, never trusted."""


def _layout_of(sheet: Sheet) -> tuple[str, ...]:
    sizes = [
        size_class(str(sheet.context.get(name) or ""))
        for name in ("words", "reply", "histology", "medicine_plan")
    ]
    return (sheet.text_version, *(str(sheet.context.get(name, "")) for name in sorted(CLASS_FIELDS)), *sizes)


def _pages_guessed(sheet: Sheet) -> int:
    return _PAGES_SEEN.get(_layout_of(sheet), KINDS[sheet.words.text.kind].pages)


def _lay_out(sheets: Sequence[Sheet], bodies: Sequence[str], pages: Sequence[int], title: str) -> Any:
    from weasyprint import HTML

    articles = "".join(
        _article(number, sheet, body, count)
        for number, (sheet, body, count) in enumerate(zip(sheets, bodies, pages, strict=True))
    )
    language = sheets[0].words.language if sheets else "en"
    page = (
        f'<html lang="{language}"><head><title>{escape(title)}</title></head><body>{articles}</body></html>'
    )
    css, fonts = _style()
    return HTML(string=page, url_fetcher=_fetcher()).render(
        stylesheets=[css], font_config=fonts, pdf_variant="pdf/ua-1"
    )


def letter_render_alone(sheet: Sheet) -> int:
    """One letter as the library alone would make it, with style sheet and fonts read anew: the bare limit to measure against."""
    _style.cache_clear()
    return (
        1
        if _lay_out([sheet], [_body(sheet)], [_pages_guessed(sheet)], "one").write_pdf(pdf_variant="pdf/ua-1")
        else 0
    )


def _pages_of(document: Any, letters: int) -> list[int]:
    counts = [0] * letters
    for page in document.pages:
        here = [name for name in page.anchors if name.startswith("letter-")]
        if len(here) != 1:
            raise RoundbookError(
                "pages_mixed", "A page holds more or less than one letter. Nothing was printed."
            )
        counts[int(here[0].removeprefix("letter-"))] += 1
    return counts


@cache
def _fetcher() -> Any:
    """Only data inside the document itself: no file, no network."""
    from weasyprint.urls import URLFetcher

    return URLFetcher(allowed_protocols=("data",), allow_redirects=False, fail_on_errors=True)


@cache
def _style() -> tuple[Any, Any]:
    """The style sheet and its fonts, read once a process."""
    from weasyprint import CSS
    from weasyprint.text.fonts import FontConfiguration

    atexit.register(_style.cache_clear)  # the fonts must go before the library that holds them
    fonts = FontConfiguration()
    sheet = (settings.BASE_DIR / "templates" / "letters" / "letter.css").read_text()
    return CSS(string=_faces() + sheet, font_config=fonts, url_fetcher=_fetcher()), fonts


def _faces() -> str:
    """The letter typeface with each font file inside the style sheet, so that the fetcher needs no file."""
    css = settings.BASE_DIR / "config" / "static" / "css" / "letter-face.css"

    def inside(found: re.Match[str]) -> str:
        font = (css.parent / found[1]).resolve().read_bytes()
        return f'url("data:font/woff2;base64,{base64.b64encode(font).decode()}")'

    return re.sub(r'url\("([^"]+)"\)', inside, css.read_text(encoding="utf-8"))
