"""Barcodes and pictures for paper, as drawings inside the document."""

import base64
from functools import cache, lru_cache
from pathlib import Path

from django.conf import settings


@lru_cache(maxsize=512)
def code128_data_uri(text: str) -> str:
    """A Code 128 of the text with its quiet zones, as an SVG data URI."""
    return _drawn(text, "Code128")


@lru_cache(maxsize=512)
def data_matrix_data_uri(text: str) -> str:
    """A square Data Matrix of the text: the token that is scanned when the post brings a letter back."""
    return _drawn(text, "DataMatrix")


def _drawn(text: str, form: str) -> str:
    import zxingcpp

    made = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, form))
    return _uri(made.to_svg(add_hrt=False, add_quiet_zones=True).encode())


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
