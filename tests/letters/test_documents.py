"""The document read back: right person, right words, no one else's, tokens and pages, barcode, tags, languages."""

import io
import re

import pypdf
import pypdfium2
import pytest
import zxingcpp
from django.template import Context, Template

from outreach.kinds import KINDS
from outreach.letters.contexts import CONTEXTS, OPTIONAL, Common, context_words
from outreach.letters.render import Sheet, letters_render
from outreach.letters.texts import MISSING, TEXTS, Text, engine
from staff.errors import RoundbookError
from tests.letters.samples import BY_KIND, COMMON, LONGEST, a_sheet

TEXT_IDS = [text.version for text in TEXTS]


def read(content: bytes) -> list[str]:
    """The text of each page, on one line."""
    return [re.sub(r"\s+", " ", page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(content)).pages]


def test_each_letter_holds_its_own_person_and_no_other() -> None:
    names = ["Marra Tovelin", "Edrik Sawnholt", "Ilse Quorvane"]
    numbers = ["400118270012", "400118270025", "400118270038"]
    sheets = [
        a_sheet("result_below", name=name, token=f"3-{n}-X", person_number=numbers[n - 1])
        for n, name in enumerate(names, start=1)
    ]
    made = letters_render(sheets, title="Three letters")
    pages = read(made.content)
    assert made.pages == [1, 1, 1]
    for n, page in enumerate(pages):
        assert names[n] in page
        assert numbers[n] in page
        assert f"3-{n + 1}-X" in page
        assert "1 / 1" in page
        assert not [x for x in names + numbers if x in page and x not in (names[n], numbers[n])]


def test_every_page_carries_the_token_and_counts_its_own_letter() -> None:
    made = letters_render(
        [a_sheet("invitation", token="3-1-A"), a_sheet("reminder", token="3-2-B")], title="Two"
    )
    pages = read(made.content)
    assert made.pages == [2, 1]
    assert [("3-1-A" in p, "3-2-B" in p) for p in pages] == [(True, False), (True, False), (False, True)]
    assert ["1 / 2" in pages[0], "2 / 2" in pages[1], "1 / 1" in pages[2]] == [True, True, True]


def test_a_letter_longer_than_usual_is_counted_anew() -> None:
    long_reason = "the tube had leaked on the way to us and " * 60
    made = letters_render(
        [a_sheet("replacement", what_went_wrong=long_reason), a_sheet("reminder")], title="Long"
    )
    assert made.pages[0] > KINDS["replacement"].pages
    assert f"1 / {made.pages[0]}" in read(made.content)[0]
    assert sum(made.pages) == len(pypdf.PdfReader(io.BytesIO(made.content)).pages)


@pytest.mark.parametrize("kind", ["invitation", "replacement"])
def test_the_barcode_decodes_to_the_serial(kind: str) -> None:
    made = letters_render([a_sheet(kind)], title="Kit")
    image = pypdfium2.PdfDocument(made.content)[0].render(scale=300 / 72).to_pil()
    (code,) = zxingcpp.read_barcodes(image)
    assert code.text == BY_KIND[kind]["serial"]
    assert code.format == zxingcpp.BarcodeFormat.Code128
    assert BY_KIND[kind]["serial"] in read(made.content)[0], "and is printed beneath"


@pytest.mark.parametrize("text", TEXTS, ids=TEXT_IDS)
def test_every_text_keeps_body_and_pages_for_the_longest_names_and_addresses(text: Text) -> None:
    address = [
        "Flat 19, Quessenvarrowmere House",
        "The Long Harbour Promenade, Eastern Side",
        "Upper Dunmarrow",
        "0Q-417",
    ]
    short = a_sheet(text.kind, language=text.language, name="A B", address=["1 Ma", "0Q-417"])
    long = a_sheet(text.kind, language=text.language, name=LONGEST, address=address)
    made = letters_render([short, long], title="Both")
    assert made.pages == [KINDS[text.kind].pages] * 2, (
        "the layout holds and the declared number of pages is true"
    )
    assert "0Q-417" in read(made.content)[made.pages[0]], (
        "the last line of a long address is still in the window"
    )


def test_names_with_marks_read_back() -> None:
    name = "Łucja Žižka-Şebnem Ğül"
    assert name in read(letters_render([a_sheet("reminder", name=name)], title="Marks").content)[0]


def test_the_document_is_tagged_and_says_its_language() -> None:
    made = letters_render([a_sheet("result_below"), a_sheet("result_below", language="ar")], title="Tagged")
    root = pypdf.PdfReader(io.BytesIO(made.content)).root_object
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert root["/Lang"] == "en"
    assert b"pdfuaid" in root["/Metadata"].get_data()


@pytest.mark.parametrize("text", TEXTS, ids=TEXT_IDS)
def test_every_text_carries_the_cautions_of_its_kind_and_knows_every_field(text: Text) -> None:
    # Source: the programme's own list of cautions (no test is perfect; symptoms; not a diagnosis; the next step is
    # an examination), common practice, no source.
    words = COMMON | {"language": text.language, "name": "Marra Tovelin", "recipient_name": "Marra Tovelin",
                      "person_name": "Marra Tovelin", "barcode": "data:,"} | BY_KIND[text.kind]  # fmt: skip
    known = set(CONTEXTS[text.kind].__dataclass_fields__) | {"barcode"}
    body = engine().get_template(text.template).render({k: v for k, v in words.items() if k in known})
    assert set(re.findall(r'data-says="([a-z_]+)"', body)) >= KINDS[text.kind].cautions
    assert MISSING not in body
    assert "positive" not in body.lower()
    assert "negative" not in body.lower()


def test_every_optional_field_may_be_empty() -> None:
    sheets = []
    for text in TEXTS:
        empty = {name: "" for name in OPTIONAL if name in BY_KIND[text.kind] or name == "person_number"}
        sheets.append(a_sheet(text.kind, language=text.language, **empty))
    assert len(letters_render(sheets, title="Sparse").pages) == len(TEXTS)


def test_a_letter_that_was_tampered_with_is_not_printed() -> None:
    sheet = a_sheet("result_below")
    other = Sheet(
        sheet.token, sheet.text_version, dict(sheet.context) | {"value": "3.0 µg/g"}, sheet.checksum
    )
    with pytest.raises(RoundbookError) as refused:
        letters_render([sheet, other], title="Tampered")
    assert refused.value.code == "letter_changed"


def test_nothing_outside_the_document_is_read() -> None:
    sheet = a_sheet("reminder", name='<img src="file:///etc/hostname"> Marra')
    pages = read(letters_render([sheet], title="Escaped").content)
    assert "file:///etc/hostname" in pages[0], "markup in a name is printed, never obeyed"


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("name", "", "letter_incomplete"),
        ("address", [], "letter_incomplete"),
        ("name", "{{ name }}", "letter_unresolved"),
        ("name", "12 --", "letter_greeting"),
    ],
)
def test_merge_safety_refuses_what_must_not_be_printed(field: str, value: object, code: str) -> None:
    words = dict(a_sheet("reminder").context) | {field: value}
    made: Common = CONTEXTS["reminder"](**words)
    with pytest.raises(RoundbookError) as refused:
        context_words(made)
    assert refused.value.code == code


def test_an_unknown_field_prints_a_mark_that_is_refused() -> None:
    template = engine().engine.from_string("Dear {{ nobody }}")
    assert isinstance(template, Template)
    assert MISSING in template.render(Context({}))
