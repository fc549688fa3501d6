"""Draws laid-out pages and takes them apart: bytes between the slots, and the tree of tags; WeasyPrint loaded when needed.

Uses parts of WeasyPrint that it does not promise to keep, so `outreach.letters.stamping` asks for the version tried.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any

FOOT = -1
"""The number of the slot with the token at the foot of each page."""
POINTS = 0.75
"""Points in a CSS pixel."""
_SLOT_TAG = "a:slot"
"""No letter has a link, so a link in the tree of tags is where a slot stands."""


class NotAlike(Exception):
    """A layout that cannot be shared."""


@dataclass
class Node:
    """One element of the tree of tags: its kind, more entries, and what it holds."""

    kind: bytes
    more: bytes
    kids: list["Node | int | Slot"] = field(default_factory=list)


@dataclass(frozen=True)
class Slot:
    """Where the elements of a slot stand in the tree."""

    number: int


@dataclass(frozen=True)
class Drawn:
    """A page: its bytes and slot numbers in the order of drawing, its tags, and how many marks its bytes hold."""

    parts: list[bytes | int]
    tree: list[Node]
    marks: int
    page: Any


@dataclass
class Pieces:
    """What a slot holds: (tag, drawing) in order, and its element in the tree."""

    drawn: list[tuple[str, bytes]]
    node: Node | None


def real(box: Any) -> Any:
    """The box itself where the layout holds a place for it."""
    from weasyprint.layout.absolute import AbsolutePlaceholder

    return box._box if isinstance(box, AbsolutePlaceholder) else box


def own_boxes(box: Any) -> Iterator[tuple[int, Any]]:
    """(slot number, box) of the slots inside a box, in their order."""
    box = real(box)
    number = own_number(box)
    if number is not None:
        yield number, box
        return
    for child in getattr(box, "children", ()):
        yield from own_boxes(child)


def own_number(box: Any) -> int | None:
    """The slot whose box this is."""
    mark = None if box.element is None else box.element.get("data-own")
    return None if mark is None else int(mark)


def leaves(box: Any) -> Iterator[Any]:
    """What is drawn with a mark of its own inside a box: text and pictures."""
    from weasyprint.formatting_structure import boxes

    box = real(box)
    if isinstance(box, boxes.TextBox | boxes.ReplacedBox):
        yield box
    for child in getattr(box, "children", ()):
        yield from leaves(child)


def margin_leaves(page_box: Any) -> Iterator[tuple[str, Any]]:
    """(place, text) of what stands in the margins of a page."""
    from weasyprint.formatting_structure import boxes

    for child in page_box.children:
        if isinstance(child, boxes.MarginBox):
            yield from ((child.at_keyword, leaf) for leaf in leaves(child))


@cache
def _cutting() -> Any:
    """A drawing stream that sets aside what belongs to slots; made late, as WeasyPrint is loaded late."""
    from weasyprint.pdf.stream import Stream

    class Cutting(Stream):
        owners: Mapping[Any, int]
        margins: frozenset[Any]
        aside: dict[int, list[tuple[Any, str, bytes]]]

        @contextmanager
        def marked(self, box: Any, tag: str) -> Iterator[None]:
            slot = self.owners.get(box)
            if slot is not None:
                yield from self._set_aside(slot, box, tag)
            elif box in self.margins:
                with self.artifact():
                    yield
            else:
                with super().marked(box, tag):
                    yield

        def _set_aside(self, slot: int, box: Any, tag: str) -> Iterator[None]:
            self._forget()
            began = len(self.stream)
            yield
            piece = joined(self.stream[began:])
            del self.stream[began:]
            if slot not in self.aside:
                self.stream.append(Slot(slot))
            self.aside.setdefault(slot, []).append((box, tag, piece))
            self._forget()

        def _forget(self) -> None:
            """Colour and font are said again after a cut, whatever stands in it."""
            self._current_color = self._current_color_stroke = None
            self._current_alpha = self._current_alpha_stroke = None
            self._current_font = self._old_font = None

    return Cutting


def joined(stream: Sequence[Any]) -> bytes:
    """The bytes of a piece of a drawing."""
    from pydyf import _to_bytes

    return b"\n".join(_to_bytes(one) for one in stream)


@dataclass(frozen=True)
class Ink:
    """What all drawings of a document share: its fonts, and the states they name."""

    document: Any
    resources: Any

    @classmethod
    def of(cls, document: Any) -> "Ink":
        """For drawing into this document."""
        import pydyf

        kinds = ("ExtGState", "XObject", "Pattern", "Shading")
        return cls(
            document, pydyf.Dictionary({kind: pydyf.Dictionary() for kind in kinds} | {"ColorSpace": None})
        )

    @property
    def states(self) -> Any:
        """The named states the drawings use."""
        return self.resources["ExtGState"]

    def drawn(self, page: Any, owners: Mapping[Any, int]) -> Any:
        """The cutting stream of a painted page; NotAlike when it needs more than letters are made of."""
        margins = frozenset(leaf for _place, leaf in margin_leaves(page._page_box) if leaf not in owners)
        stream = _cutting()(
            self.document.fonts, (0, 0, page.width, page.height), self.resources, {}, {}, {}, None
        )
        stream.owners, stream.margins, stream.aside = owners, margins, {}
        stream.transform(d=-1, f=page.height * POINTS)
        page.paint(stream, POINTS)
        if any(self.resources[kind] for kind in ("XObject", "Pattern", "Shading")) or page.links:
            raise NotAlike("a picture, pattern or link")
        return stream


def page_taken_apart(ink: Ink, page: Any, owners: Mapping[Any, int]) -> Drawn:
    """Draw a page; what belongs to a slot is left out, and its place kept."""
    stream = ink.drawn(page, owners)
    parts: list[bytes | int] = []
    held: list[Any] = []
    for one in stream.stream:
        if isinstance(one, Slot):
            parts += [joined(held), one.number]
            held = []
        else:
            held.append(one)
    marks = len(stream._tags)
    return Drawn([*parts, joined(held)], tree_of(page._page_box, stream._tags), marks, page)


def tree_of(box: Any, tags: dict[Any, Any]) -> list[Node]:
    """The tags of a page or a slot as WeasyPrint builds them, slots inside it as `Slot`."""
    import pydyf
    from weasyprint.pdf.tags import _build_box_tree

    pdf = pydyf.PDF()
    pdf.add_page(pydyf.Dictionary())
    above = pydyf.Dictionary({"S": "/Document"})
    pdf.add_object(above)
    slots: list[int] = []
    found = list(_build_box_tree(_without_slots(box, slots, top=box.element), above, pdf, 0, {}, [], tags))
    if tags:
        raise NotAlike("something drawn has no tag")
    numbers = iter(slots)
    nodes = {
        one.number: Slot(next(numbers)) if one["S"] == "/Link" else Node(one["S"].encode(), _more(one))
        for one in pdf.objects[above.number + 1 :]
    }
    for one in pdf.objects[above.number + 1 :]:
        node = nodes[one.number]
        if isinstance(node, Node):
            node.kids = [kid if isinstance(kid, int) else nodes[int(kid.split()[0])] for kid in one["K"]]
    return [nodes[one.number] for one in found]  # type: ignore[misc]


def _without_slots(box: Any, slots: list[int], *, top: Any) -> Any:
    """The same box with an empty link in the place of each slot but itself, and without the margins of the page."""
    from weasyprint.formatting_structure import boxes

    box = real(box)
    number = None if box.element is top else own_number(box)
    if number is not None:
        slots.append(number)
        place = boxes.InlineBox.anonymous_from(box, [])
        place.element_tag = _SLOT_TAG
        return place
    if not isinstance(box, boxes.ParentBox):
        return box
    inside = [child for child in map(real, box.children) if not isinstance(child, boxes.MarginBox)]
    return box.copy_with_children([_without_slots(child, slots, top=top) for child in inside])


def _more(element: Any) -> bytes:
    from pydyf import _to_bytes

    return b"".join(
        b"/" + key.encode() + b" " + _to_bytes(element[key]) for key in ("A", "Alt", "ID") if key in element
    )
