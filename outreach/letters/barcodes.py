"""Barcodes as drawings for paper: Code 128 of a kit serial."""

import base64
from functools import lru_cache


@lru_cache(maxsize=512)
def code128_data_uri(text: str) -> str:
    """A Code 128 of the text with its quiet zones, as an SVG data URI."""
    import zxingcpp

    made = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.Code128)
    drawing = made.to_svg(add_hrt=False, add_quiet_zones=True)
    return "data:image/svg+xml;base64," + base64.b64encode(drawing.encode()).decode()
