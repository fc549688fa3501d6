"""What a figure is asked for: which days, whom, and cut by what; pure values that live in the address of a page."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from django.utils.translation import gettext_lazy as _

from oversight.standards import DEFAULT_STANDARD

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

CELL_FILTERS: Mapping[str, str] = {
    "area": "area_id", "sex": "sex", "age": "age", "fifth": "fifth", "history": "history",
}  # fmt: skip
"""Filters the cells can answer: name → column."""
FACT_FILTERS: Mapping[str, str] = {
    "band": "f.band = %({name})s",
    "lot": "f.lot_id = %({name})s",
    "laboratory": "f.laboratory_id = %({name})s",
    "unit": "f.exam_site_id = %({name})s",
    "route": "f.outside = (%({name})s = 2)",
    "language": "f.person_id IN (SELECT p.id FROM screening_person p WHERE p.language = %({name})s)",
    "practice": "f.person_id IN (SELECT p.id FROM screening_person p WHERE p.practice_id = %({name})s)",
}
"""Filters that need the single facts: name → condition."""

FILTER_WORDS: "Mapping[str, StrOrPromise]" = {
    "area": _("area"), "sex": _("sex"), "age": _("five-year age"), "fifth": _("deprivation fifth"),
    "history": _("screening history"), "band": _("value in the round before"), "lot": _("kit lot"),
    "laboratory": _("laboratory"), "unit": _("colonoscopy unit"), "route": _("how the kit was sent"), "language": _("language"), "practice": _("practice"),
}  # fmt: skip

HISTORY_WORDS: "Mapping[int, StrOrPromise]" = {
    0: _("first screen"), 1: _("took part before, but not in the last round"), 2: _("took part in the last round"),
}  # fmt: skip
BAND_WORDS: "Mapping[int, StrOrPromise]" = {
    0: _("no value"), 1: _("below 4 µg/g"), 2: _("4 to below 10 µg/g"), 3: _("10 to below 20 µg/g"),
    4: _("20 µg/g or more"),
}  # fmt: skip
ROUTE_WORDS: "Mapping[int, StrOrPromise]" = {
    1: _("in an invitation batch"), 2: _("asked for, or handed out"),
}  # fmt: skip
FIFTH_WORDS: "Mapping[int, StrOrPromise]" = {
    0: _("not known"), 1: _("1, least deprived"), 2: "2", 3: "3", 4: "4", 5: _("5, most deprived"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Asked:
    """The days, the filters (name → value as text), what figures are cut by, and the population areas are standardised to."""

    since: date
    until: date
    by: str = "month"
    only: Mapping[str, str] = field(default_factory=dict)
    standard: str = DEFAULT_STANDARD

    @property
    def needs_facts(self) -> bool:
        """Whether a filter asks for more than the cells know."""
        return bool(set(self.only) & set(FACT_FILTERS))

    def without(self, name: str) -> "Asked":
        """The same without one filter."""
        return replace(self, only={key: value for key, value in self.only.items() if key != name})

    @property
    def without_filters(self) -> "Asked":
        """The same days of everybody."""
        return replace(self, only={})

    def params(self) -> dict[str, Any]:
        """The filters as SQL parameters."""
        return {
            name: value if name in ("sex", "language") else int(value) for name, value in self.only.items()
        }

    def conditions(self, *, cells: bool) -> str:
        """SQL that holds for the rows asked for, over a cell `c` or a fact `f`; starts with AND, or is empty."""
        alias = "c" if cells else "f"
        found = [
            f"{alias}.{column} = %({name})s" for name, column in CELL_FILTERS.items() if name in self.only
        ]
        if not cells:
            found += [sql.format(name=name) for name, sql in FACT_FILTERS.items() if name in self.only]
        return "".join(f" AND {one}" for one in found)

    @property
    def query(self) -> str:
        """The address's query."""
        said = {"from": self.since.isoformat(), "to": self.until.isoformat(), "by": self.by, **self.only}
        if self.standard != DEFAULT_STANDARD:
            said["standard"] = self.standard
        return urlencode(said)
