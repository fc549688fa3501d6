"""Code 128 drawings of the texts on cards, trays, slips and practice kits."""

import base64
from functools import lru_cache


@lru_cache(maxsize=256)
def code128_svg(text: str) -> str:
    """The barcode as SVG with a view box, so that it grows with its place, and without its maker's note."""
    import zxingcpp

    made = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.Code128)
    svg = zxingcpp.write_barcode_to_svg(made)
    head, _sep, rest = svg[svg.index("<svg") :].partition(">")
    width, height = (head.split(f'{name}="')[1].split('"')[0] for name in ("width", "height"))
    body = rest.split("<desc>")[0] + rest.split("</desc>")[-1]
    return f'{head} viewBox="0 0 {width} {height}" preserveAspectRatio="none" shape-rendering="crispEdges">{body}'


def code128_data(text: str) -> str:
    """The same drawing as a data address, for paper."""
    return f"data:image/svg+xml;base64,{base64.b64encode(code128_svg(text).encode()).decode()}"
