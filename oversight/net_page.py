"""Turns the entries of a list, as a run kept them, into what the page shows."""

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS
from oversight.models import NetCount
from oversight.net import NetList
from oversight.net.things import THINGS
from oversight.proof_page import Address
from staff.roles import Pool

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry without a name."""

    thing: str
    words: "StrOrPromise"
    id: int
    since: date | None
    owner: "StrOrPromise"
    ownerless: bool
    note: "StrOrPromise"
    url: str

    @property
    def key(self) -> str:
        """Names it within its list."""
        return f"{self.thing}:{self.id}"


def entries_of(one: NetList, count: NetCount, gone: set[tuple[str, int]], *, address: Address) -> list[Entry]:
    """The kept entries of a list, without those settled since the run."""
    return [_entry(one, row, address) for row in count.rows if (row["thing"], row["id"]) not in gone]


def _entry(one: NetList, row: dict[str, Any], address: Address) -> Entry:
    owner = row["owner"]
    return Entry(
        thing=row["thing"],
        words=THINGS.get(row["thing"], row["thing"]),
        id=row["id"],
        since=date.fromisoformat(row["since"]) if row["since"] else None,
        owner=Pool(owner).label if owner in Pool.values else owner or _("nobody"),
        ownerless=not owner,
        note=note_in_words(one, row["note"]),
        url=address(row["person_id"]),
    )


def note_in_words(one: NetList, code: str) -> "StrOrPromise":
    """A note's code in words; `code:n` keeps its number, a letter kind its name."""
    head, _colon, number = code.partition(":")
    if head in one.notes:
        return f"{one.notes[head]} {number}" if number else one.notes[head]
    return KINDS[head].name if head in KINDS else code.replace("_", " ")
