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

from outreach.kinds import KINDS
from outreach.letters.barcodes import code128_data_uri
from outreach.letters.contexts import checksum_of
from outreach.letters.texts import MISSING, RIGHT_TO_LEFT, engine, text_of, words_digest
from staff.errors import RoundbookError

_TRIES = 3


@dataclass(frozen=True)
class Sheet:
    """One frozen letter to be laid out: the token of its pages, its text version, context and checksum."""

    token: str
    text_version: str
    context: Mapping[str, Any]
    checksum: str


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
    pages = [KINDS[text_of(sheet.text_version).kind].pages for sheet in sheets]
    for _try in range(_TRIES):
        document = _lay_out(sheets, bodies, pages, title)
        measured = _pages_of(document, len(sheets))
        if measured == pages:
            return Rendered(document.write_pdf(pdf_variant="pdf/ua-1"), measured)
        pages = measured
    raise RoundbookError(
        "pages_unsettled", "The pages of a letter could not be counted. Tell the administrator."
    )


def _body(sheet: Sheet) -> str:
    digest = words_digest(sheet.text_version)
    found = checksum_of(text_version=sheet.text_version, words_digest=digest, context=sheet.context)
    if found != sheet.checksum:
        raise RoundbookError(
            "letter_changed",
            "The words of a frozen letter are not those that were frozen. Tell the administrator; nothing was printed.",
            token=sheet.token,
        )
    words = dict(sheet.context)
    if "serial" in words:
        words["barcode"] = code128_data_uri(words["serial"])
    body = engine().get_template(text_of(sheet.text_version).template).render(words)
    if MISSING in body:
        raise RoundbookError(
            "letter_unresolved",
            "A field of a letter text is unresolved. Nothing was printed.",
            token=sheet.token,
        )
    return str(body)


def _article(number: int, sheet: Sheet, body: str, pages: int) -> str:
    text = text_of(sheet.text_version)
    direction = "rtl" if text.language in RIGHT_TO_LEFT else "ltr"
    return (
        f'<article id="letter-{number}" lang="{text.language}" dir="{direction}" data-token="{escape(sheet.token)}"'
        f' data-version="{escape(text.version)}" data-pages="{pages}">{body}</article>'
    )


def _lay_out(sheets: Sequence[Sheet], bodies: Sequence[str], pages: Sequence[int], title: str) -> Any:
    from weasyprint import HTML

    articles = "".join(
        _article(number, sheet, body, count)
        for number, (sheet, body, count) in enumerate(zip(sheets, bodies, pages, strict=True))
    )
    language = text_of(sheets[0].text_version).language if sheets else "en"
    page = (
        f'<html lang="{language}"><head><title>{escape(title)}</title></head><body>{articles}</body></html>'
    )
    css, fonts = _style()
    return HTML(string=page, url_fetcher=_fetcher()).render(
        stylesheets=[css], font_config=fonts, pdf_variant="pdf/ua-1"
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
