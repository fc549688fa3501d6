"""A name printed in the letter typeface reads back letter for letter, in every weight and slope."""

import io
import re
from pathlib import Path

import pypdf
import pytest
from weasyprint import CSS, HTML
from weasyprint.text.fonts import FontConfiguration

FACE = Path(__file__).resolve().parents[2] / "config" / "static" / "css" / "letter-face.css"
NAMES = "Łucja Žižka Şebnem Ñuñez Šťastný Þóra Ærøskøbing Żółć Ğül Őri Ćirić Düring 0123456789 µg/g"
BODY = CSS(string='body { font-family: "Letter", "Letter Ext"; font-size: 11pt }')


@pytest.mark.parametrize("tag", ["p", "b", "i"])
def test_names_with_marks_read_back(tag: str) -> None:
    fonts = FontConfiguration()
    face = CSS(filename=str(FACE), font_config=fonts)
    pdf = HTML(string=f"<{tag}>{NAMES}</{tag}>").write_pdf(stylesheets=[face, BODY], font_config=fonts)
    page = pypdf.PdfReader(io.BytesIO(pdf)).pages[0]
    assert "".join(page.extract_text().split()) == NAMES.replace(" ", "")
    used = {font.get_object()["/BaseFont"].split("+")[1] for font in page["/Resources"]["/Font"].values()}
    assert len(used) == 2
    assert sum(name.startswith("Letter-Ext") for name in used) == 1


def test_no_family_name_is_shared_by_two_files_of_one_weight_and_slope() -> None:
    rules = re.findall(
        r'font-family: ("[^"]+");.*?font-weight: (\d+); font-style: (\w+)', FACE.read_text(encoding="utf-8")
    )
    assert len(rules) == len(set(rules)) == 8
