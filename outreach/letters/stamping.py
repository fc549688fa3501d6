"""Lays out one letter of many that are alike, and fills the others' own words into its reserved boxes.

What the filled-in words look like is still WeasyPrint's doing: all different contents of a slot are laid out together on
one long sheet, in boxes of the same style and size, drawn where the slot stands, and tagged as they would be in place.
A letter whose words do not stay in their box is laid out by itself, as is one that is like too few others.
"""

import logging
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

from django.utils.html import escape

from outreach.letters.barcodes import bars_of, code_image
from outreach.letters.binding import Bound, bound
from outreach.letters.pages import (
    FOOT,
    Drawn,
    Ink,
    Node,
    NotAlike,
    Pieces,
    leaves,
    margin_leaves,
    own_boxes,
    page_taken_apart,
    tree_of,
)
from outreach.letters.slots import Skeleton, filled, own, parted
from outreach.letters.typeset import Article, direction, laid_out, settled

log = logging.getLogger(__name__)
TRIED_WITH = "70.0"
"""The WeasyPrint whose inner parts `pages` was tried with; with another one every letter is laid out by itself."""
A_SHEET = 60
"""So many letters' own words are laid out on one long sheet, so that memory stays bounded."""
LAYOUTS_KEPT = 12
_DONOR_STYLE = """
@page donor { size: 210mm 90000mm; margin: 20mm 22mm 17mm 22mm; }
article { page: donor; break-before: auto; string-set: none; }
"""
_BLANK = "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' width='1' height='1'/%3E"
_HAIR = 0.01
NOBODY = "x"
"""What stands in each slot of the layout that is shared."""
Box = tuple[str, str, str]
"""What opens around the box of a slot, the box, what closes it."""
_FOOT_BOX = ("", own("p", "", ' class="foot" lang="en" dir="ltr"'), "")


@dataclass(frozen=True)
class Draft:
    """A letter with its slots marked, and how to find the box of each slot by itself."""

    article: Article
    boxes: Callable[[], list[tuple[str, str, str]]]

    @cached_property
    def parted(self) -> tuple[Skeleton, tuple[str, ...]]:
        """What it shares with letters alike, and what is its own."""
        return parted(self.article.body)

    @property
    def alike(self) -> Article:
        """What is the same for all letters that can share a layout with this one."""
        body = self.parted[0].filled(_placeholders(self.parted[0]), _blank)
        return replace(self.article, token=NOBODY, body=body)

    @property
    def whole(self) -> Article:
        """The letter as it is laid out by itself."""
        return replace(self.article, body=filled(self.article.body, code_image))

    @property
    def foot(self) -> str:
        """What stands at the left of each page's foot."""
        return f"{self.article.token}  ·  {self.article.version}"


def _placeholders(skeleton: Skeleton) -> list[str]:
    return [NOBODY if form else f"<span>{NOBODY}</span>" for form in skeleton.forms]


def _blank(_form: str, _text: str) -> str:
    return f'<img src="{_BLANK}" alt="{NOBODY}">'


@dataclass(frozen=True)
class Layout:
    """The pages of letters that are alike, and where their slots stand."""

    pages: tuple[Any, ...]
    places: Mapping[int, Any]
    """Slot number → its box."""
    bottoms: Mapping[int, float]
    """Slot number → where the page it stands on ends."""

    @property
    def owners(self) -> dict[Any, int]:
        """What is drawn in a slot → its number."""
        feet = {leaf: FOOT for page in self.pages for leaf in self.feet(page)}
        return feet | {leaf: number for number, box in self.places.items() for leaf in leaves(box)}

    @staticmethod
    def feet(page: Any) -> list[Any]:
        """The text at the left of a page's foot."""
        return [leaf for place, leaf in margin_leaves(page._page_box) if place == "@bottom-left"]


@lru_cache(maxsize=LAYOUTS_KEPT)
def layout_of(article: Article, slots: int) -> Layout | None:
    """The shared layout of letters alike; nothing when a slot runs over the end of a page."""
    document, _pages = settled([article], title="alike")
    places: dict[int, Any] = {}
    bottoms: dict[int, float] = {}
    for page in document.pages:
        box = page._page_box
        bottom = box.content_box_y() + box.height
        for number, place in own_boxes(box):
            if number in places or place.position_y + place.margin_height() > bottom + _HAIR:
                return None
            places[number], bottoms[number] = place, bottom
    if set(places) != set(range(slots)) or not all(len(Layout.feet(page)) == 1 for page in document.pages):
        return None
    return Layout(tuple(document.pages), places, bottoms)


def letters_stamp(
    drafts: Sequence[Draft], *, title: str, alike_enough: int
) -> tuple[bytes, list[int]] | None:
    """The document of these letters and the pages of each; None when too few of them are alike."""
    import weasyprint

    if weasyprint.VERSION != TRIED_WITH:
        log.warning("WeasyPrint %s was not tried with shared layouts.", weasyprint.VERSION)
        return None
    groups: dict[Article, list[int]] = defaultdict(list)
    for number, draft in enumerate(drafts):
        groups[draft.alike].append(number)
    many = {article: members for article, members in groups.items() if len(members) >= alike_enough}
    if not many:
        return None
    try:
        return _stamped(drafts, many.items(), title=title)
    except NotAlike as why:
        log.warning("A document is laid out letter by letter: %s", why)
        return None


def _stamped(
    drafts: Sequence[Draft], many: Iterable[tuple[Article, list[int]]], *, title: str
) -> tuple[bytes, list[int]]:
    carrier = laid_out("", language=drafts[0].article.language, title=title)
    ink = Ink.of(carrier)
    made: dict[int, Bound] = {}
    for article, members in many:
        made.update(_group(ink, article, {number: drafts[number] for number in members}))
    made.update(_one_by_one(ink, {n: draft for n, draft in enumerate(drafts) if n not in made}))
    letters = [made[number] for number in range(len(drafts))]
    return bound(carrier, ink.states, letters), [len(letter.pages) for letter in letters]


def _one_by_one(ink: Ink, drafts: Mapping[int, Draft]) -> Iterator[tuple[int, Bound]]:
    if not drafts:
        return
    document, pages = settled([draft.whole for draft in drafts.values()], title="one by one")
    rest = iter(document.pages)
    for number, count in zip(drafts, pages, strict=True):
        yield number, Bound([page_taken_apart(ink, next(rest), {}) for _page in range(count)], {})


def _group(ink: Ink, article: Article, drafts: Mapping[int, Draft]) -> Iterator[tuple[int, Bound]]:
    """The letters of a group that fit its layout."""
    first = next(iter(drafts.values()))
    layout = layout_of(article, len(first.parted[0].forms))
    if layout is None:
        return
    owners = layout.owners
    pages = [page_taken_apart(ink, page, owners) for page in layout.pages]
    boxes = first.boxes()
    numbers = list(drafts)
    for start in range(0, len(numbers), A_SHEET):
        part = {number: drafts[number] for number in numbers[start : start + A_SHEET]}
        yield from _filled_in(ink, layout, pages, boxes, part)


def _filled_in(
    ink: Ink, layout: Layout, pages: list[Drawn], boxes: Sequence[Box], drafts: Mapping[int, Draft]
) -> Iterator[tuple[int, Bound]]:
    owned = {
        number: {**dict(enumerate(draft.parted[1])), FOOT: escape(draft.foot)}
        for number, draft in drafts.items()
    }
    first = next(iter(drafts.values()))
    different = {
        slot: list(dict.fromkeys(held[slot] for held in owned.values()))
        for slot in next(iter(owned.values()))
    }
    made: dict[tuple[int, str], Pieces] = {}
    for slot, form in enumerate(first.parted[0].forms):
        if form:
            made.update(
                {(slot, text): _code(layout.places[slot], form, text) for text in different.pop(slot)}
            )
    made |= _words(ink, layout, boxes, different, first.article)
    for number, held in owned.items():
        if all(one in made for one in held.items()):
            yield number, Bound(pages, {slot: made[slot, content] for slot, content in held.items()})


def _words(
    ink: Ink, layout: Layout, boxes: Sequence[Box], different: Mapping[int, list[str]], like: Article
) -> dict[tuple[int, str], Pieces]:
    """(slot, words) → how they are drawn where the slot stands; what would not fit its box is not there."""
    body = "".join(
        _many(boxes[slot] if slot != FOOT else _FOOT_BOX, slot, words) for slot, words in different.items()
    )
    article = f'<article class="{like.form}" lang="{like.language}" dir="{direction(like.language)}">{body}</article>'
    sheet = laid_out(article, language="en", title="own words", more=_DONOR_STYLE)
    if len(sheet.pages) != 1:
        raise NotAlike("own words on more than one sheet")
    waiting = {slot: iter(words) for slot, words in different.items()}
    found = {(slot, next(waiting[slot])): box for slot, box in own_boxes(sheet.pages[0]._page_box)}
    fitting = {name: box for name, box in found.items() if _moved(layout, name[0], box)}
    owners = {leaf: n for n, box in enumerate(fitting.values()) for leaf in leaves(box)}
    aside = ink.drawn(sheet.pages[0], owners).aside
    return {
        name: _piece(box, aside.get(n, []), foot=name[0] == FOOT)
        for n, (name, box) in enumerate(fitting.items())
    }


def _many(box: Box, slot: int, words: Sequence[str]) -> str:
    """The box of a slot once for each content."""
    opening, inside, closing = box
    before, after = parted(inside)[0].parts
    return opening + "".join(f'{before} data-own="{slot}">{one}{after}' for one in words) + closing


def _moved(layout: Layout, slot: int, box: Any) -> bool:
    """Whether the words fit their box in the layout; if so they now stand there."""
    if slot == FOOT:
        (there,), (here,) = Layout.feet(layout.pages[0]), list(leaves(box))
        box.translate(
            there.position_x - here.position_x,
            there.position_y + there.baseline - here.position_y - here.baseline,
        )
        return True
    place = layout.places[slot]
    if abs(place.height - box.height) > _HAIR or abs(place.width - box.width) > _HAIR:
        return False
    box.translate(place.position_x - box.position_x, place.position_y - box.position_y)
    lowest = max((leaf.position_y + leaf.height for leaf in leaves(box)), default=0)
    return bool(lowest <= layout.bottoms[slot] + _HAIR)


def _piece(box: Any, aside: Sequence[tuple[Any, str, bytes]], *, foot: bool) -> Pieces:
    tags = {leaf: {"tag": tag, "mcid": n} for n, (leaf, tag, _drawing) in enumerate(aside)}
    drawn = [(tag, drawing) for _leaf, tag, drawing in aside]
    return Pieces(drawn, None if foot else tree_of(box, tags)[0])


def _code(box: Any, form: str, text: str) -> Pieces:
    """A code drawn in the place of its picture, and tagged as one."""
    import pydyf

    bars = bars_of(form, text)
    x, y = box.content_box_x(), box.content_box_y()
    rows = "\n".join(f"{a} {b} {w} {h} re" for a, b, w, h in bars.dark)
    drawing = (
        f"q\n1 0 0 1 {x:.6f} {y:.6f} cm\n{box.width / bars.width:.6f} 0 0 {box.height / bars.height:.6f} 0 0 cm\n"
        f"/a1.0 gs\n1 1 1 rg\n0 0 {bars.width} {bars.height} re\nf\n0 0 0 rg\n{rows}\nf\nQ"
    )
    shape = pydyf.Array((x, y, x + box.width, y + box.height))
    more = (
        b"/A " + pydyf.Dictionary({"O": "/Layout", "BBox": shape}).data + b"/Alt " + pydyf.String(text).data
    )
    return Pieces([("Figure", drawing.encode())], Node(b"/Figure", more, [0]))
