"""Lays articles out with WeasyPrint: style and fonts read once, pages counted from the layout; loaded when needed."""

import atexit
import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.conf import settings
from django.utils.html import escape

from outreach.letters.texts import RIGHT_TO_LEFT
from staff.errors import RoundbookError

PDF_UA = "pdf/ua-1"
_TRIES = 3
_FACE = settings.BASE_DIR / "config" / "static" / "css" / "letter-face.css"
_SHEET = settings.BASE_DIR / "templates" / "letters" / "letter.css"


@dataclass(frozen=True)
class Article:
    """One letter as it is laid out; `alike` names letters that usually take as many pages as this."""

    token: str
    version: str
    language: str
    form: str
    body: str
    alike: tuple[str, ...]
    usual_pages: int

    def markup(self, number: int, pages: int) -> str:
        """The element that holds the letter in its document."""
        return (
            f'<article id="letter-{number}" class="{self.form}" lang="{self.language}" dir="{direction(self.language)}"'
            f' data-token="{escape(self.token)}" data-version="{escape(self.version)}" data-pages="{pages}">{self.body}</article>'
        )


def direction(language: str) -> str:
    """Which way a language is written, as markup says it."""
    return "rtl" if language in RIGHT_TO_LEFT else "ltr"


_PAGES_SEEN: dict[tuple[str, ...], int] = {}
"""How many pages letters of the same layout took last time: a guess that saves a second layout, never trusted."""


def settled(articles: Sequence[Article], *, title: str) -> tuple[Any, list[int]]:
    """The document of these letters and the pages of each; laid out again while a letter is longer than guessed."""
    pages = [_PAGES_SEEN.get(one.alike, one.usual_pages) for one in articles]
    for _try in range(_TRIES):
        body = "".join(one.markup(number, pages[number]) for number, one in enumerate(articles))
        document = laid_out(body, language=articles[0].language if articles else "en", title=title)
        measured = _pages_of(document, len(articles))
        _PAGES_SEEN.update({one.alike: count for one, count in zip(articles, measured, strict=True)})
        if measured == pages:
            return document, measured
        pages = measured
    raise RoundbookError(
        "pages_unsettled", "The pages of a letter could not be counted. Tell the administrator."
    )


def laid_out(body: str, *, language: str, title: str, more: str = "") -> Any:
    """A WeasyPrint document of a body; `more` is style beyond that of letters."""
    from weasyprint import CSS, HTML

    page = f'<html lang="{language}"><head><title>{escape(title)}</title></head><body>{body}</body></html>'
    css, fonts = style()
    sheets = [css, CSS(string=more)] if more else [css]
    return HTML(string=page, url_fetcher=_fetcher()).render(
        stylesheets=sheets, font_config=fonts, pdf_variant=PDF_UA
    )


def plainly(article: Article) -> bytes:
    """One letter as anyone would first make it: a document of its own, style sheets by name. A limit to measure against."""
    from weasyprint import HTML

    body = article.markup(0, _PAGES_SEEN.get(article.alike, article.usual_pages))
    page = f'<html lang="{article.language}"><head><title>Letter</title></head><body>{body}</body></html>'
    return bytes(HTML(string=page).write_pdf(stylesheets=[str(_FACE), str(_SHEET)], pdf_variant=PDF_UA))


def _pages_of(document: Any, letters: int) -> list[int]:
    counts = [0] * letters
    for page in document.pages:
        here = [name for name in page.anchors if name.startswith("letter-")]
        if letters and len(here) != 1:
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
def style() -> tuple[Any, Any]:
    """The style sheet and its fonts, read once a process."""
    from weasyprint import CSS
    from weasyprint.text.fonts import FontConfiguration

    atexit.register(style.cache_clear)  # the fonts must go before the library that holds them
    fonts = FontConfiguration()
    return CSS(string=style_source(), font_config=fonts, url_fetcher=_fetcher()), fonts


def style_source() -> str:
    """The style sheet of letters with the typeface inside it, so that the fetcher needs no file."""

    def inside(found: re.Match[str]) -> str:
        font = (_FACE.parent / found[1]).resolve().read_bytes()
        return f'url("data:font/woff2;base64,{base64.b64encode(font).decode()}")'

    face = re.sub(r'url\("([^"]+)"\)', inside, _FACE.read_text(encoding="utf-8"))
    return face + _SHEET.read_text(encoding="utf-8")
