"""Letters alike are laid out once and filled in: they read, look and are tagged as if each were laid out by itself."""

import io
from collections.abc import Iterator
from typing import Any

import pdfplumber
import pypdf
import pypdfium2
import pytest
import weasyprint
import zxingcpp
from PIL import ImageChops

from outreach.catalogue import KINDS
from outreach.letters import stamping
from outreach.letters.render import Rendered, Sheet, letters_render
from outreach.letters.slots import filled, own, own_code, parted, unmarked
from outreach.letters.texts import fields_of
from tests.letters.samples import CLASSES, LONGEST, NARROWEST, VARIANTS, WIDEST, a_sheet
from tests.letters.test_documents import ARABIC_LONGEST, LONG_ADDRESS

SHIFTED = 60
"""A grey step that a stroke moved by a small part of a pixel may make: widths are rounded to 1/1000 em when a glyph
is first drawn, at whichever size that is, so a document drawn in another order rounds some otherwise."""


TRIED = [
    ("next_step", "en", "standard"), ("result_below", "ar", "easy"), ("appointment", "en", "large"),
    ("doctor_copy", "ar", "standard"),
]  # fmt: skip
"""Tried in every run of the tests; the campaign tries every kind in every variant."""


def _people(kind: str, language: str, form: str) -> list[Sheet]:
    """Four invented people: usual, shortest, longest, and one written in the other script; of each class of the kind."""
    own_fields = set(fields_of(kind)) - {"language", "programme", "phone", "hours"}
    values: list[tuple[dict[str, Any], str, list[str]]] = [
        ({}, "Marra Tovelin", ["17 Mill Lane", "Quillport", "0Q-417"]),
        (NARROWEST, "A B", ["1 Ma", "0Q-417"]),
        (WIDEST, LONGEST, LONG_ADDRESS),
        (NARROWEST, ARABIC_LONGEST, ["شارع الميناء الطويل 17", "0Q-417"]),
    ]
    return [
        a_sheet(kind, language=language, form=form, token=f"7-{n}-X", **(
            {field: value for field, value in given.items() if field in own_fields}
            | extra | {"name": name, "address": address}
        ))
        for extra in CLASSES.get(kind, [{}])
        for n, (given, name, address) in enumerate(values, start=1)
    ]  # fmt: skip


def _both(sheets: list[Sheet]) -> tuple[Rendered, Rendered]:
    return letters_render(sheets, title="Alike", alike_enough=1), letters_render(
        sheets, title="Alike", alike_enough=0
    )


def _texts(made: Rendered) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made.content)).pages]


def _tags(made: Rendered) -> list[Any]:
    """The tree of tags: each element's kind, other words, place and names of cells, and what it holds."""
    root = pypdf.PdfReader(io.BytesIO(made.content)).root_object["/StructTreeRoot"]
    cells: dict[str, int] = {}

    def told(element: Any) -> Any:
        element = element.get_object()
        if isinstance(element, int):
            return "text"
        attributes = element.get("/A", {})
        names = (
            [str(element["/ID"])]
            if "/ID" in element
            else [str(one) for one in attributes.get("/Headers", [])]
        )
        box = [round(float(x), 2) for x in attributes.get("/BBox", [])]
        return (
            element["/S"], element.get("/Alt"), box, [cells.setdefault(name, len(cells)) for name in names],
            [told(kid) for kid in element["/K"]],
        )  # fmt: skip

    return [told(kid) for kid in root["/K"]]


def _read_aloud(made: Rendered, *, filled_in: bool = False) -> list[str]:
    """Each page's words in the order of its tags, which is what a screen reader follows."""
    found = []
    with pdfplumber.open(io.BytesIO(made.content)) as pdf:
        for page in pdf.pages:
            words: dict[int, str] = {}
            for char in page.chars:
                if char.get("mcid") is not None:
                    words[char["mcid"]] = words.get(char["mcid"], "") + char["text"]
            marks = [mark for element in page.structure_tree for mark in _marks(element)]
            assert not filled_in or set(words) <= set(marks), "nothing is drawn without a tag"
            found.append("|".join(words.get(mark, "") for mark in marks))
    return found


def _marks(element: dict[str, Any]) -> Iterator[int]:
    yield from element.get("mcids", [])
    for kid in element.get("children", []):
        yield from _marks(kid)


def _looks_the_same(one: Rendered, other: Rendered) -> None:
    a, b = pypdfium2.PdfDocument(one.content), pypdfium2.PdfDocument(other.content)
    for page in range(len(b)):
        here, there = (x[page].render(scale=1.5).to_pil().convert("L") for x in (a, b))
        steps = ImageChops.difference(here, there).histogram()
        assert sum(steps[SHIFTED:]) / (here.width * here.height) < 0.0005, f"page {page + 1}"
    a.close()
    b.close()


@pytest.mark.parametrize(
    ("kind", "language", "form"),
    [
        pytest.param(*one, id="-".join(one), marks=() if one in TRIED else pytest.mark.campaign)
        for one in VARIANTS
    ],
)
def test_a_letter_filled_in_is_the_letter_laid_out_by_itself(kind: str, language: str, form: str) -> None:
    stamped, ordinary = _both(_people(kind, language, form))
    assert stamped.pages == ordinary.pages
    assert _texts(stamped) == _texts(ordinary)
    assert _read_aloud(stamped, filled_in=True) == _read_aloud(ordinary)
    assert _tags(stamped) == _tags(ordinary)
    _looks_the_same(stamped, ordinary)


def test_the_whole_document_says_what_it_is() -> None:
    stamped, ordinary = _both([a_sheet("invitation", language="ar", token=f"7-{n}-X") for n in range(3)])
    roots = [pypdf.PdfReader(io.BytesIO(made.content)) for made in (stamped, ordinary)]
    first, second = roots
    assert first.root_object["/Lang"] == second.root_object["/Lang"] == "ar"
    assert first.metadata == second.metadata
    assert first.root_object["/Metadata"].get_data() == second.root_object["/Metadata"].get_data()
    assert first.root_object["/MarkInfo"] == second.root_object["/MarkInfo"]
    outlines = [[(item.title, round(float(item.top), 1), reader.get_destination_page_number(item))
                 for item in _flat(reader.outline)] for reader in roots]  # fmt: skip
    assert outlines[0] == outlines[1]
    assert {font["/BaseFont"] for font in _fonts(first)} == {font["/BaseFont"] for font in _fonts(second)}
    for font in _fonts(first):
        assert "/FontFile2" in font["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()


def _flat(outline: Any) -> Iterator[Any]:
    for item in outline:
        yield from _flat(item) if isinstance(item, list) else [item]


def _fonts(reader: pypdf.PdfReader) -> list[Any]:
    return [font.get_object() for font in reader.pages[0]["/Resources"]["/Font"].values()]


def test_no_other_persons_words_are_on_a_page_and_every_code_is_the_letters_own() -> None:
    sheets = [
        a_sheet("replacement", token=f"7-{n}-X", name=f"Person Number{chr(65 + n)}", serial=f"TK9000000{n}R")
        for n in range(8)
    ]
    made = letters_render(sheets, title="Eight")
    assert len(made.content) < len(letters_render(sheets, title="Eight", alike_enough=0).content)
    document = pypdfium2.PdfDocument(made.content)
    first = 0
    for n, (text, count) in enumerate(zip(_per_letter(made), made.pages, strict=True)):
        assert [k for k in range(8) if f"Number{chr(65 + k)}" in text] == [n]
        assert [k for k in range(8) if f"7-{k}-X" in text] == [n]
        read = set()
        for page in range(first, first + count):
            image = document[page].render(scale=300 / 72).to_pil()
            read |= {code.text for code in zxingcpp.read_barcodes(image)}
        assert read == {f"TK9000000{n}R", f"7-{n}-X"}
        first += count
    document.close()


def _per_letter(made: Rendered) -> list[str]:
    texts = _texts(made)
    return ["\n".join(texts[sum(made.pages[:n]) : sum(made.pages[: n + 1])]) for n in range(len(made.pages))]


def test_letters_of_many_kinds_keep_their_order() -> None:
    kinds = ["reminder", "result_below", "reminder", "appointment", "reminder", "result_below", "reminder"]
    sheets = [a_sheet(kind, token=f"9-{n}-X") for n, kind in enumerate(kinds)]
    stamped = letters_render(sheets, title="Mixed", alike_enough=2)
    ordinary = letters_render(sheets, title="Mixed", alike_enough=0)
    assert stamped.pages == ordinary.pages
    assert _texts(stamped) == _texts(ordinary)
    assert _read_aloud(stamped, filled_in=True) == _read_aloud(ordinary)


def test_words_that_leave_their_box_are_laid_out_by_themselves() -> None:
    sheets = [
        a_sheet("request_reply", token=f"9-{n}-X", reply=words)
        for n, words in enumerate(["word " * 130, "word " * 239, "w" * 1190, "short and clear " * 40])
    ]
    stamped, ordinary = _both(sheets)
    assert stamped.pages == ordinary.pages
    assert _texts(stamped) == _texts(ordinary)


def test_another_weasyprint_lays_out_every_letter_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stamping, "TRIED_WITH", "another")
    sheets = [a_sheet("reminder", token=f"9-{n}-X") for n in range(3)]
    assert stamping.letters_stamp([], title="None", alike_enough=1) is None
    assert letters_render(sheets, title="Three").pages == [1, 1, 1]


def test_the_weasyprint_in_use_is_the_one_that_was_tried() -> None:
    assert weasyprint.VERSION == stamping.TRIED_WITH, "try tests/letters as a campaign, then raise TRIED_WITH"


def test_a_kind_is_alike_for_everybody_but_in_what_decides_its_sentences() -> None:
    for kind in KINDS:
        sheets = _people(kind, "en", "standard")
        assert len({_draft_of(sheet).alike for sheet in sheets}) <= 2 * len(CLASSES.get(kind, [{}])), kind


def _draft_of(sheet: Sheet) -> stamping.Draft:
    from outreach.letters.render import _draft

    return _draft(sheet)


def test_slots_are_parted_and_filled() -> None:
    marked = f"<div>{own('p', 'Marra', ' class=x')} and {own_code('data_matrix', '7-1-X')}!</div>"
    skeleton, contents = parted(marked)
    assert contents == ("Marra", "7-1-X")
    assert "Marra" not in "".join(skeleton.parts)
    assert filled(marked, lambda form, text: f"[{form} {text}]") == (
        "<div><p class=x>Marra</p> and [data_matrix 7-1-X]!</div>"
    )
    assert skeleton.filled(["Edrik", "c"], lambda _form, text: f"<img {text}>") == (
        '<div><p class=x data-own="0">Edrik</p> and <img data-own="1" c>!</div>'
    )


def test_nobody_can_write_a_slot_into_a_name() -> None:
    assert unmarked(["Mar\x01ra>\x02", 7, "\x03kit|1\x04"]) == ["Marra>", 7, "kit|1"]
    sheets = [a_sheet("reminder", name=f"Ma\x02rra\x01> {n}", token=f"9-{n}-X") for n in range(3)]
    assert "Marra> 1" in _texts(letters_render(sheets, title="Marks"))[1]
