"""Barcodes and pictures for paper, as drawings inside the document."""

import base64
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from html import escape
from pathlib import Path

from django.conf import settings

FORMS = {"code128": "Code128", "data_matrix": "DataMatrix"}
_RUN = re.compile(r"M(\d+) (\d+)h(\d+)v(\d+)h-\d+Z")
_SIZE = re.compile(r'<svg width="(\d+)" height="(\d+)"')


def code_image(form: str, text: str) -> str:
    """The image element of a code: `code128`, or `data_matrix` as on the token that is scanned when post comes back."""
    return f'<img src="{code_uri(form, text)}" alt="{escape(text)}">' if text else ""


@lru_cache(maxsize=512)
def code_uri(form: str, text: str) -> str:
    """A code of the text with its quiet zones, as an SVG data URI."""
    return _uri(_svg(form, text).encode())


@dataclass(frozen=True)
class Bars:
    """The dark rectangles (x, y, width, height) of a code in a drawing of so many units."""

    width: int
    height: int
    dark: tuple[tuple[int, int, int, int], ...]


def bars_of(form: str, text: str) -> Bars:
    """The same code as rectangles, for a page that is drawn without laying out a picture."""
    svg = _svg(form, text)
    size = _SIZE.search(svg)
    dark = tuple(tuple(map(int, run)) for run in _RUN.findall(svg))
    if size is None or not dark:
        raise LookupError(f"No rectangles in the drawing of {form}.")
    return Bars(int(size[1]), int(size[2]), dark)  # type: ignore[arg-type]


def _svg(form: str, text: str) -> str:
    import zxingcpp

    made = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, FORMS[form]))
    return str(made.to_svg(add_hrt=False, add_quiet_zones=True))


def _uri(drawing: bytes) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(drawing).decode()


@cache
def pictures() -> dict[str, str]:
    """The easy-read pictures by name."""
    folder = Path(settings.BASE_DIR) / "templates" / "letters" / "pictures"
    return {path.stem: _uri(path.read_bytes()) for path in sorted(folder.glob("*.svg"))}


PICTURE_WORDS = {
    "en": {
        "kit": "A test tube", "post": "An envelope", "choose": "Yes or no", "phone": "A telephone", "doctor": "A doctor",
        "camera": "A thin camera", "tick": "A tick",
    },
    "ar": {
        "kit": "أنبوب اختبار", "post": "ظرف", "choose": "نعم أو لا", "phone": "هاتف", "doctor": "طبيب",
        "camera": "كاميرا رفيعة", "tick": "علامة صح",
    },
}  # fmt: skip
"""What each picture shows, for people who hear the page instead of seeing it."""
