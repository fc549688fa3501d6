"""The plain way in which letter texts are written, read into blocks, checked, and turned into markup. Pure.

One text holds every variant under one version id. A variant begins with `=== en` or `=== ar easy`. A line is a block:

    # heading            ## smaller heading        > in the box at the top
    - point              + numbered step           any other line: a paragraph
    | label | {field}    one fact in a row of fixed height; `||` a row three lines high
    = {field}            words of any length, in a box of a fixed size
    @name                a shared passage; `@kit` the kit's barcode; `@picture name` a drawing

`[choice]` before or after the mark names a caution it carries; `?field:`, `!field:` and `?field=value:` before it say when it is
there. `**bold**` is bold. What is the person's own stands only in rows and boxes, so it never moves the words below it.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from html import escape
from typing import Any
from unicodedata import bidirectional

from outreach.letters.slots import own, own_code

FORMS = ("standard", "easy", "large")
PROGRAMME_FIELDS = frozenset({"programme", "phone", "hours"})
"""The same for everybody: these may stand inside a sentence."""
CLASS_FIELDS = frozenset({"came_back", "at_or_above", "step", "attempt", "for_good", "told_before"})
"""These decide which blocks are there; they are never printed."""
_HEAD = re.compile(r"^=== (?P<language>[a-z]{2})(?: (?P<form>easy))?$")
_CONDITION = re.compile(r"^(?P<sign>[?!])(?P<field>[a-z_]+)(?:=(?P<value>[a-z_0-9]+))?: ")
_SAYS = re.compile(r"^\[(?P<says>[a-z_]+)\] ")
_FIELD = re.compile(r"\{([a-z_]+)\}")
_MARKS = ("## ", "# ", "> ", "- ", "+ ", "|| ", "| ", "= ", "@")


class WordsError(ValueError):
    """A text is not written as texts are; says the line."""


@dataclass(frozen=True)
class Block:
    """One line of a text."""

    mark: str
    text: str
    says: str = ""
    condition: tuple[str, bool, str] | None = None
    """(field, whether it must hold, value or '')."""

    @property
    def fields(self) -> set[str]:
        """The fields it prints."""
        return set(_FIELD.findall(self.text))

    def holds(self, words: Mapping[str, Any]) -> bool:
        """Whether the block is there for these words."""
        if self.condition is None:
            return True
        field, wanted, value = self.condition
        found = words.get(field)
        return (str(found) == value if value else bool(found)) is wanted


@dataclass(frozen=True)
class Variant:
    """One language and form of a text."""

    language: str
    form: str
    blocks: tuple[Block, ...]

    @property
    def fields(self) -> set[str]:
        """Every field the variant prints or asks about."""
        asked = {block.condition[0] for block in self.blocks if block.condition}
        return asked.union(*(block.fields for block in self.blocks))

    @property
    def says(self) -> set[str]:
        """The cautions its own blocks carry."""
        return {block.says for block in self.blocks if block.says}


def words_read(source: str) -> dict[tuple[str, str], Variant]:
    """The variants of a text by (language, form); WordsError names the line that is not understood."""
    found: dict[tuple[str, str], list[Block]] = {}
    blocks: list[Block] | None = None
    for number, line in enumerate(source.splitlines(), start=1):
        line = line.rstrip()
        head = _HEAD.match(line)
        if head:
            key = (head["language"], head["form"] or "standard")
            if key in found:
                raise WordsError(f"Line {number}: this language and form stand twice.")
            blocks = found.setdefault(key, [])
        elif line and blocks is None:
            raise WordsError(f"Line {number}: begin with a line such as “=== en”.")
        elif line and blocks is not None:
            blocks.append(_block(line, number))
    return {key: Variant(*key, tuple(made)) for key, made in found.items()}


def _block(line: str, number: int) -> Block:
    condition = None
    if found := _CONDITION.match(line):
        condition = (found["field"], found["sign"] == "?", found["value"] or "")
        line = line[found.end() :]
    says = ""
    if found := _SAYS.match(line):
        says, line = found["says"], line[found.end() :]
    mark = next((m for m in _MARKS if line.startswith(m) or line == m.strip()), "")
    text = line[len(mark) :].strip()
    if found := _SAYS.match(text):
        says, text = found["says"], text[found.end() :]
    if not text:
        raise WordsError(f"Line {number}: there are no words after the mark.")
    if _FIELD.sub("", text).count("{") or _FIELD.sub("", text).count("}"):
        raise WordsError(f"Line {number}: a field is written as one name in braces, for example {{phone}}.")
    return Block(mark.strip(), text, says, condition)


def problems_of(
    variants: Mapping[tuple[str, str], Variant], *, fields: Sequence[str], cautions: frozenset[str],
    shared: Mapping[str, Mapping[str, str]], wanted: Sequence[tuple[str, str]],
) -> list[str]:  # fmt: skip
    """Why a text may not be used, each in a sentence; empty when it may.

    Every wanted variant is there; all print the same fields; each carries every caution; the person's own fields
    stand only in rows and boxes; only known fields and passages are named.
    """
    found = [
        f"{language} {form}: this variant is missing."
        for language, form in wanted
        if (language, form) not in variants
    ]
    known = set(fields) | PROGRAMME_FIELDS
    printed = {key: variant.fields - PROGRAMME_FIELDS for key, variant in variants.items()}
    for (language, form), variant in variants.items():
        found += [
            f"{language} {form}: {words}" for words in _problems_of_one(variant, known, cautions, shared)
        ]
        lacking = set().union(*printed.values()) - printed[language, form]
        if lacking:
            found.append(f"{language} {form}: other variants also name {', '.join(sorted(lacking))}.")
    return found


def _problems_of_one(
    variant: Variant, known: set[str], cautions: frozenset[str], shared: Mapping[str, Mapping[str, str]]
) -> Iterator[str]:
    passages = shared.get(variant.language, {})
    if unknown := variant.fields - known:
        yield f"no such field: {', '.join(sorted(unknown))}."
    carried = set(variant.says)
    for block in variant.blocks:
        if block.mark == "@" and block.text != "kit" and not block.text.startswith("picture "):
            if block.text not in passages:
                yield f"no such passage: {block.text}."
            carried.add(block.text.removesuffix("_doctor"))
        if block.mark not in ("|", "||", "=", "@") and block.fields - PROGRAMME_FIELDS:
            yield f"“{block.text[:40]}”: what is the person's own stands in a row (| label | {{field}})."
    if missing := cautions - carried:
        yield f"the caution is missing: {', '.join(sorted(missing))}."
    if sum(block.mark == "#" for block in variant.blocks) < 1:
        yield "the heading is missing."


@dataclass(frozen=True)
class Drawings:
    """What the markup takes from outside: the pictures, as data addresses, and what they show."""

    pictures: Mapping[str, str] | None = None
    picture_words: Mapping[str, str] | None = None


def markup(
    variant: Variant, words: Mapping[str, Any], passages: Mapping[str, str], drawings: Drawings
) -> str:
    """The body of a letter, slots marked; every value is escaped, and nothing of a person stands outside slots."""
    out: list[str] = []
    open_tag = ""
    for block in _present(variant, words, passages):
        wrapper = _WRAPPERS.get(block.mark, "")
        if wrapper != open_tag:
            out += [f"</{open_tag.split()[0]}>"] if open_tag else []
            out += [f"<{wrapper}>"] if wrapper else []
            open_tag = wrapper
        out.append(_markup_of(block, words, drawings))
    out += [f"</{open_tag.split()[0]}>"] if open_tag else []
    return "".join(out)


def slot_boxes(
    variant: Variant, words: Mapping[str, Any], passages: Mapping[str, str]
) -> list[tuple[str, str, str]]:
    """For each slot of the body in its order: (what opens around it, the box with its slot, what closes it).

    The box may stand there many times, so that many contents of one slot can be laid out together.
    """
    found = []
    for block in _present(variant, words, passages):
        if block.mark in ("|", "||"):
            row = replace(block, text="|" + block.text.partition("|")[2])
            found.append(('<table class="numbers">', _markup_of(row, words, Drawings()), "</table>"))
        elif block.mark == "=":
            found.append(("", _markup_of(block, words, Drawings()), ""))
        elif block.mark == "@" and block.text == "kit":
            code, shown = _kit(words)
            found += [("", code, ""), ('<div class="kit">', shown, "</div>")]
    return found


def _present(variant: Variant, words: Mapping[str, Any], passages: Mapping[str, str]) -> list[Block]:
    return [block for block in _unfolded(variant.blocks, passages) if block.holds(words)]


_WRAPPERS = {
    ">": 'div class="gist"',
    "-": "ul",
    "+": "ol",
    "|": 'table class="numbers"',
    "||": 'table class="numbers"',
}


def _unfolded(blocks: Sequence[Block], passages: Mapping[str, str]) -> Iterator[Block]:
    for block in blocks:
        if block.mark == "@" and block.text in passages:
            for line in passages[block.text].splitlines():
                yield replace(
                    _block(line, 0), says=block.text.removesuffix("_doctor"), condition=block.condition
                )
        else:
            yield block


def _markup_of(block: Block, words: Mapping[str, Any], drawings: Drawings) -> str:
    says = f' data-says="{block.says}"' if block.says else ""
    if block.mark in ("|", "||"):
        label, _bar, value = block.text.partition("|")
        tall = ' class="tall"' if block.mark == "||" else ""
        inside = own("div", _inline(value.strip(), words) or "–")
        return f'<tr{tall}{says}><th scope="row">{_inline(label.strip(), words)}</th><td>{inside}</td></tr>'
    if block.mark == "=":
        size = size_class(str(words.get(next(iter(block.fields), ""), "")))
        return own("div", f"<p>{_inline(block.text, words)}</p>", f' class="said {size}"{says}')
    if block.mark == "@":
        return _drawing(block.text, words, drawings)
    tag = {"#": "h1", "##": "h2", "-": "li", "+": "li"}.get(block.mark, "p")
    return f"<{tag}{says}>{_inline(block.text, words)}</{tag}>"


def _drawing(name: str, words: Mapping[str, Any], drawings: Drawings) -> str:
    if name == "kit":
        return f'<div class="kit">{"".join(_kit(words))}</div>'
    picture = name.removeprefix("picture ")
    address = (drawings.pictures or {}).get(picture, "")
    shown = escape((drawings.picture_words or {}).get(picture, picture))
    return f'<p class="picture"><img src="{address}" alt="{shown}"></p>' if address else ""


def _kit(words: Mapping[str, Any]) -> tuple[str, str]:
    """The kit's barcode, and its number beneath."""
    serial = str(words.get("serial", ""))
    return own_code("code128", serial), own("p", escape(serial), ' class="serial"')


SIZES = ((240, "short"), (600, "middle"), (1200, "long"))
"""Free words of at most so many characters go into a box of a fixed height; longer ones are refused at freezing."""


def size_class(text: str) -> str:
    """Which box holds a text of this length."""
    return next((name for most, name in SIZES if len(text) <= most), "longest")


def _inline(text: str, words: Mapping[str, Any]) -> str:
    def value(found: re.Match[str]) -> str:
        name = found[1]
        if name not in words:
            return "⟦missing⟧"
        return apart(str(words[name] if words[name] is not None else ""))

    made = _FIELD.sub(value, escape(text, quote=False))
    return re.sub(r"\*\*(.+?)\*\*", r"<b>\1</b>", made)


def direction_of(text: str) -> str:
    """Which way a text of somebody's own is written: by its first letter; digits and signs alone run left to right."""
    strong = (bidirectional(sign) for sign in text)
    return "rtl" if next((kind for kind in strong if kind in ("L", "R", "AL")), "L") != "L" else "ltr"


def apart(value: str) -> str:
    """A value inside a sentence, escaped and kept apart from it, so that a telephone number is never turned around.

    The direction is worked out here because WeasyPrint does not look at the letters of a `bdi` itself.
    """
    return f'<bdi dir="{direction_of(value)}">{escape(value)}</bdi>' if value else ""


def _plain_field(words: Mapping[str, Any], sentence: str, found: re.Match[str]) -> str:
    """A field in plain words; in a sentence from right to left the groups of a number are tied together."""
    value = str(words.get(found[1], "") or "")
    tied = (
        direction_of(sentence) == "rtl" and direction_of(value) == "ltr" and not any(map(str.isalpha, value))
    )
    return value.replace(" ", "\u00a0") if tied else value


def plain(variant: Variant, words: Mapping[str, Any], passages: Mapping[str, str]) -> str:
    """The same words without markup: for an e-mail, a text message, and the readability figure."""
    lines = []
    for block in _unfolded(variant.blocks, passages):
        if block.holds(words) and block.mark != "@":
            text = _FIELD.sub(partial(_plain_field, words, block.text), block.text)
            text = text.replace("**", "")
            lines.append(re.sub(r"\s*\|\s*", ": ", text) if block.mark in ("|", "||") else text)
    return "\n".join(lines)


def sentences_of(variant: Variant, passages: Mapping[str, str]) -> str:
    """The running sentences alone, without rows and fields, each ended by a full stop: what readability counts."""
    lines = []
    for block in _unfolded(variant.blocks, passages):
        if block.mark in ("", ">", "-", "+", "#", "##"):
            text = _FIELD.sub("", block.text).replace("**", "").strip()
            lines.append(text if text.endswith((".", "?", "!")) else text + ".")
    return " ".join(lines)
