"""What waits behind each task, for the first page: every part says it in its `waits` module, under the page's route."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING

from staff.routes import APPS

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


@dataclass(frozen=True, slots=True)
class Wait:
    """One line under a task; `pressing` when somebody should look today."""

    words: "StrOrPromise"
    pressing: bool = False


Teller = Callable[[], list[Wait]]


def tellers() -> dict[str, Teller]:
    """Who tells what waits, by the name of the page's route."""
    found: dict[str, Teller] = {}
    for app in APPS[1:]:
        waits: Mapping[str, Teller] = import_module(f"{app}.waits").WAITS
        found |= waits
    return found


def waits_behind(route: str) -> list[Wait]:
    """What waits behind one page; nothing for a page that nobody speaks for."""
    teller = tellers().get(route)
    return teller() if teller else []
