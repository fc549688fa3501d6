"""The rounds behind a figure: who is counted, who is not, or who stands in one place; ids only, no names."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from django.db import connection
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.filters import Asked
from oversight.indicators import indicators, measures_of
from oversight.places import PLACE_WORDS
from oversight.rollup.measures import ANCHORS, PLACES
from oversight.services.rollup import catch_up
from oversight.services.sums import CUTS, FACT_CUTS

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

LARGEST = 200
"""So many rows are shown; the count is whole."""
COUNTED, NOT_COUNTED = "counted", "not_counted"


@dataclass(frozen=True, slots=True)
class Listed:
    """One round behind a figure."""

    round_id: int
    person_id: int
    day: date
    place: str

    @property
    def place_words(self) -> "StrOrPromise":
        """Where the round stands, in words."""
        return PLACE_WORDS.get(self.place, self.place)


@dataclass(frozen=True, slots=True)
class List:
    """What is listed, how many there are, and the first of them, oldest first."""

    title: "StrOrPromise"
    total: int
    rows: Sequence[Listed]


def listed(asked: Asked, *, key: str = "", part: str = "", place: str = "", row: str = "") -> List | None:
    """The rounds of a place, or those that count (or do not count) in an indicator; None when that cannot be listed.

    `row` is the key of one row of the cut asked for. Figures of things rather than people (kits, colonoscopies) have no
    list.
    """
    catch_up()
    if place in PLACES:
        anchor, condition, title = (
            ANCHORS["invited"],
            f"f.place = '{place}'",
            _("People in one place of the flow"),
        )
    elif key in indicators():
        one = indicators()[key]
        if not one.has_list or part not in (COUNTED, NOT_COUNTED):
            return None
        anchor = ANCHORS[one.anchor]
        tops, bottoms = measures_of(one.top), measures_of(one.bottom)
        inside = " AND ".join(
            f"{'NOT ' if n and '-' in one.bottom else ''}coalesce(({anchor.measures[name]}), false)"
            for n, name in enumerate(bottoms)
        )
        counted = f"coalesce(({anchor.measures[tops[0]]}), false)"
        condition = f"{inside} AND {'' if part == COUNTED else 'NOT '}{counted}"
        words = _("{name}: counted") if part == COUNTED else _("{name}: not counted")
        title = format_lazy(words, name=one.name)
    else:
        return None
    return _found(asked, anchor.day, f"{anchor.counts} AND {condition}", title, row, anchor.month)


def _found(asked: Asked, day: str, condition: str, title: "StrOrPromise", row: str, month: str) -> List:
    params = {**asked.params(), "since": asked.since, "until": asked.until, "limit": LARGEST}
    only, join = asked.conditions(cells=False), ""
    if row:
        params["row"] = row
        if asked.by in FACT_CUTS:
            column, join = FACT_CUTS[asked.by]
        else:
            column = month if asked.by == "month" else f"f.{CUTS[asked.by]}"
        only += f" AND ({column})::text = %(row)s"
    frm = f"FROM oversight_fact f{join} WHERE f.{day} BETWEEN %(since)s AND %(until)s AND {condition}{only}"
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) {frm}", params)
        total = int(cursor.fetchone()[0])
        cursor.execute(
            f"SELECT f.round_id, f.person_id, f.{day}, f.place {frm} ORDER BY f.{day}, f.round_id LIMIT %(limit)s",
            params,
        )
        return List(title, total, [Listed(*one) for one in cursor.fetchall()])
