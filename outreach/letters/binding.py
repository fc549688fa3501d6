"""Binds drawn pages into one tagged PDF: what letters share is stored once, what is a letter's own is added to it."""

import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from outreach.letters.pages import FOOT, POINTS, Drawn, Node, Pieces, Slot
from outreach.letters.typeset import PDF_UA

WORTH_SHARING = 1500
"""A stretch of so many bytes between two slots is stored once for all letters; a shorter one is repeated."""
PACKED = 6
"""How hard streams are packed: the highest level costs twice the time for a hundredth less."""
_CELL = re.compile(rb"\((\d+-\d+-\d+)\)")


@dataclass(frozen=True)
class Bound:
    """One letter: its pages, and what fills their slots."""

    pages: list[Drawn]
    own: Mapping[int, Pieces]


def bound(carrier: Any, states: Any, letters: Sequence[Bound]) -> bytes:
    """The document of these letters in their order, with fonts, title and language of the carrier's own empty page."""

    def finish(document: Any, pdf: Any) -> None:
        binder = Binder(pdf, states)
        for letter in letters:
            binder.add(letter)
        binder.close(document.copy([page.page for letter in letters for page in letter.pages]))

    return bytes(carrier.write_pdf(pdf_variant=PDF_UA, finisher=finish))


@cache
def _raw() -> Any:
    """An object of a PDF that is bytes already."""
    import pydyf

    class Raw(pydyf.Object):
        content = b""

        @property
        def data(self) -> bytes:
            return self.content

    return Raw


@dataclass
class Binder:
    """Adds letters to a PDF whose one page is empty."""

    pdf: Any
    states: Any
    numbers: list[int] = field(default_factory=list)
    """The object of each page so far."""
    shared: dict[int, bytes] = field(default_factory=dict)
    """Bytes stored once → the reference to them."""

    def __post_init__(self) -> None:
        self.model = self._object(self.pdf.pages["Kids"][0])
        self.pdf.pages["Kids"].clear()
        self.pdf.pages["Count"] = 0
        self._of(self.model["Resources"])["ExtGState"].update(self.states)
        root = self._of(self.pdf.catalog["StructTreeRoot"])
        self.marks, self.top = self._of(root["ParentTree"])["Nums"], self._of(root["K"][0])
        self.marks.clear()
        self.top["K"].clear()

    def _object(self, number: int) -> Any:
        return self.pdf.objects[number]

    def _of(self, reference: bytes) -> Any:
        return self._object(int(reference.split()[0]))

    def add(self, letter: Bound) -> None:
        """One more letter: its pages, and their tags."""
        for page in letter.pages:
            self._page_added(page, letter.own)

    def _page_added(self, page: Drawn, own: Mapping[int, Pieces]) -> None:
        import pydyf

        starts: dict[int, int] = {}
        contents = self._contents(page, own, starts)
        made = self.model if not self.numbers else pydyf.Dictionary(self.model)
        made.update({"Contents": pydyf.Array(contents), "StructParents": len(self.numbers)})
        if made is self.model:
            self.pdf.pages["Kids"].extend([made.number, 0, "R"])
            self.pdf.pages["Count"] += 1
        else:
            self.pdf.add_page(made)
        self.numbers.append(made.number)
        self._tagged(page, own, starts, made.number)

    def _contents(self, page: Drawn, own: Mapping[int, Pieces], starts: dict[int, int]) -> list[bytes]:
        """References to the streams of a page; `starts` is told the first mark of each slot."""
        found: list[bytes] = []
        held: list[bytes] = []
        marks = page.marks
        for part in page.parts:
            if isinstance(part, int):
                held.append(_drawing(own[part], marks, artifact=part == FOOT))
                if part != FOOT:
                    starts[part] = marks
                    marks += len(own[part].drawn)
            elif len(part) < WORTH_SHARING:
                held.append(part)
            else:
                found += [self._stream(held), self._stored_once(part)]
                held = []
        return [one for one in [*found, self._stream(held)] if one]

    def _stream(self, held: list[bytes]) -> bytes:
        import pydyf

        if not held:
            return b""
        packed = zlib.compress(b"\n".join(held), PACKED)
        stream = pydyf.Stream([packed], pydyf.Dictionary({"Filter": "/FlateDecode"}))
        self.pdf.add_object(stream)
        return bytes(stream.reference)

    def _stored_once(self, part: bytes) -> bytes:
        if id(part) not in self.shared:
            self.shared[id(part)] = self._stream([part])
        return self.shared[id(part)]

    def _tagged(self, page: Drawn, own: Mapping[int, Pieces], starts: Mapping[int, int], number: int) -> None:
        import pydyf

        tagger = Tagger(self.pdf, own, starts, number, b"(%d-" % len(self.numbers))
        self.top["K"].extend(b"%d 0 R" % tagger.put(node, self.top.number, 0) for node in page.tree)
        self.marks.extend(
            [len(self.numbers) - 1, pydyf.Array(ref for _mark, ref in sorted(tagger.marks.items()))]
        )

    def close(self, document: Any) -> None:
        """Add the outline of all pages: their headings."""
        tree = document.make_bookmark_tree(POINTS, transform_pages=True)
        found, count = self._outlines(tree)
        if found:
            import pydyf

            whole = pydyf.Dictionary(
                {"Count": count, "First": found[0].reference, "Last": found[-1].reference}
            )
            self.pdf.add_object(whole)
            for one in found:
                one["Parent"] = whole.reference
            self.pdf.catalog["Outlines"] = whole.reference

    def _outlines(self, tree: Sequence[Any]) -> tuple[list[Any], int]:
        import pydyf

        found: list[Any] = []
        count = len(tree)
        for title, (page, x, y), below, _state in tree:
            place = pydyf.Array((b"%d 0 R" % self.numbers[page], "/XYZ", x, y, 0))
            one = pydyf.Dictionary({"Title": pydyf.String(title), "Dest": place})
            self.pdf.add_object(one)
            inner, inner_count = self._outlines(below)
            one["Count"] = inner_count
            count += inner_count
            if found:
                one["Prev"], found[-1]["Next"] = found[-1].reference, one.reference
            if inner:
                one["First"], one["Last"] = inner[0].reference, inner[-1].reference
                for child in inner:
                    child["Parent"] = one.reference
            found.append(one)
        return found, count


def _drawing(pieces: Pieces, first: int, *, artifact: bool) -> bytes:
    """The bytes of a slot, each piece marked by the number its tag has on this page."""
    if artifact:
        return b"\n".join(b"/Artifact\nBMC\n%s\nEMC" % drawing for _tag, drawing in pieces.drawn)
    return b"\n".join(
        b"/%s\n<</MCID %d>>\nBDC\n%s\nEMC" % (tag.encode(), mark, drawing)
        for mark, (tag, drawing) in enumerate(pieces.drawn, start=first)
    )


@dataclass
class Tagger:
    """Writes the tags of one page of one letter."""

    pdf: Any
    own: Mapping[int, Pieces]
    starts: Mapping[int, int]
    page: int
    cells: bytes
    """What the names of table cells begin with, so that no two in the document are the same."""
    marks: dict[int, bytes] = field(default_factory=dict)

    def put(self, node: "Node | Slot", above: int, first: int) -> int:
        """Add an element and what it holds; returns its number."""
        if isinstance(node, Slot):
            inside = self.own[node.number].node
            assert inside is not None  # noqa: S101 - only the foot has no element, and it has no slot in the tree
            return self.put(inside, above, self.starts.get(node.number, 0))
        made = _raw()()
        self.pdf.add_object(made)
        kids = []
        for kid in node.kids:
            if isinstance(kid, int):
                kids.append(b"%d" % (first + kid))
                self.marks[first + kid] = b"%d 0 R" % made.number
            else:
                kids.append(b"%d 0 R" % self.put(kid, made.number, first))
        more = _CELL.sub(self.cells + rb"\1)", node.more) if node.more else b""
        made.content = b"<</Type /StructElem/S %s/K [%s]/Pg %d 0 R/P %d 0 R%s>>" % (
            node.kind, b" ".join(kids), self.page, above, more,
        )  # fmt: skip
        return int(made.number)
