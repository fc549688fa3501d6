"""Marks what is a person's own inside a letter's markup, so that letters alike but for that can share a layout. Pure."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

_OWN, _END, _CODE, _CODE_END = "\x01", "\x02", "\x03", "\x04"
_SLOT = re.compile(f"{_OWN}>(.*?){_END}|{_CODE}(\\w+)\\|(.*?){_CODE_END}", re.DOTALL)
_MARKS = dict.fromkeys(map(ord, (_OWN, _END, _CODE, _CODE_END)))

Draw = Callable[[str, str], str]
"""(form, text) of a code → the image element that shows it."""


def own(tag: str, inside: str, attributes: str = "") -> str:
    """An element whose content is the person's; it must stand in a box of a fixed size."""
    return f"<{tag}{attributes}{_OWN}>{inside}{_END}</{tag}>"


def own_code(form: str, text: str) -> str:
    """A code to scan that is the letter's own."""
    return f"{_CODE}{form}|{text}{_CODE_END}"


def unmarked(value: Any) -> Any:
    """A value from outside without the characters that mark slots."""
    if isinstance(value, str):
        return value.translate(_MARKS)
    return [unmarked(one) for one in value] if isinstance(value, list) else value


def filled(marked: str, draw: Draw) -> str:
    """The markup with everything in its place, as one letter alone is laid out."""
    return _SLOT.sub(lambda found: f">{found[1]}" if found[2] is None else draw(found[2], found[3]), marked)


@dataclass(frozen=True)
class Skeleton:
    """A markup without what is a person's own: the parts between the slots, and each slot's code form or ''."""

    parts: tuple[str, ...]
    forms: tuple[str, ...]

    def filled(self, contents: Sequence[str], draw: Draw) -> str:
        """The markup with these contents; every slot's element carries its number as `data-own`."""
        out = [self.parts[0]]
        for number, (form, inside, after) in enumerate(
            zip(self.forms, contents, self.parts[1:], strict=True)
        ):
            mark = f' data-own="{number}"'
            out += [draw(form, inside).replace("<img", f"<img{mark}") if form else f"{mark}>{inside}", after]
        return "".join(out)


def parted(marked: str) -> tuple[Skeleton, tuple[str, ...]]:
    """The skeleton of a markup and the contents of its slots."""
    parts, forms, contents, here = [], [], [], 0
    for found in _SLOT.finditer(marked):
        parts.append(marked[here : found.start()])
        forms.append(found[2] or "")
        contents.append(found[1] if found[2] is None else found[3])
        here = found.end()
    return Skeleton((*parts, marked[here:]), tuple(forms)), tuple(contents)
