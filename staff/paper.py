"""HTML to PDF for desk papers (cards, slips, sheets); letters have their own renderer."""

from django.conf import settings

PAGE = """
@page { size: A4; margin: 14mm 12mm; @bottom-right { content: counter(page) " / " counter(pages); font-size: 8pt; } }
body { font-family: "Atkinson Hyperlegible", "DejaVu Sans", sans-serif; font-size: 10.5pt; color: #000000; }
h1 { font-size: 17pt; margin: 0 0 2mm; } h2 { font-size: 12pt; margin: 5mm 0 2mm; break-after: avoid; }
p { margin: 0 0 2mm; } table { border-collapse: collapse; width: 100%; font-size: 9.5pt; }
th, td { border: 0.5pt solid #555555; padding: 1mm 2mm; text-align: left; } thead { display: table-header-group; }
tr, .card { break-inside: avoid; }
.cards { display: grid; grid-template-columns: 88mm 88mm; column-gap: 4mm; }
.card { margin: 0 0 3mm; width: 88mm; border: 0.6pt solid #555555; padding: 3mm; box-sizing: border-box; }
.card b { display: block; font-size: 12pt; margin: 0 0 2mm; } .card img { display: block; width: 80mm; height: 15mm; }
.card span { display: block; font-size: 8.5pt; margin-top: 1mm; text-align: center; letter-spacing: 0.04em; }
"""


def pdf_made(html: str, *, style: str = "") -> bytes:
    """A PDF of one HTML body (already escaped); images only as data inside it. WeasyPrint is loaded on first use.

    `style` adds to the style sheet of all papers.
    """
    from weasyprint import CSS, HTML
    from weasyprint.urls import URLFetcher

    fetcher = URLFetcher(allowed_protocols=("data",), allow_redirects=False, fail_on_errors=True)
    page = f'<html lang="{settings.LANGUAGE_CODE}"><body>{html}</body></html>'
    document = HTML(string=page, url_fetcher=fetcher).write_pdf(stylesheets=[CSS(string=PAGE + style)])
    return bytes(document)
