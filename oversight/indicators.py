"""What an indicator is, and the register of all: one declaration each, from which SQL, page, command and words come."""

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT, PER_10000_YEARS, PER_100000_YEARS, PER_THOUSAND, PERCENT
from oversight.rollup.few import FEW, Few
from oversight.rollup.measures import ANCHORS, Anchor

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

THINGS = {
    "arrived": frozenset({"kits", "rejected", "undated"}),
    "examined": frozenset(ANCHORS["examined"].measures) - {"n", "with_adenoma", "with_scope"},
}
"""Measures that count kits, examinations or lesions, several a round, by the kind of cell they stand in."""
UNIT_WORDS: "dict[str, StrOrPromise]" = {
    PERCENT: "%", PER_THOUSAND: "‰", PER_10000_YEARS: _("per 10,000 person-years"),
    PER_100000_YEARS: _("per 100,000 person-years"),
}  # fmt: skip
UP, DOWN, NEITHER = "up", "down", "neither"
GROUPS = ("reach", "uptake", "positivity", "follow_up", "yields", "harm", "laboratory", "cancers", "service")


@dataclass(frozen=True, slots=True)
class Level:
    """A standard level: acceptable and desirable in the indicator's unit, where it comes from, and whether it was read there."""

    acceptable: str
    desirable: str
    source: "StrOrPromise"
    seen: bool = False


@dataclass(frozen=True, slots=True)
class Indicator:
    """One indicator: what is counted over what, on which basis, in which window, and when it is complete.

    `top` and `bottom` name measures of the anchor's cells, added and subtracted ("n - lost_90"). `start` names the days
    from which people are followed (`STARTS`), for the maturity of a cohort.
    """

    key: str
    group: str
    name: "StrOrPromise"
    sentence: "StrOrPromise"
    numerator: "StrOrPromise"
    denominator: "StrOrPromise"
    anchor: str
    top: str
    bottom: str
    basis: str
    matures: "StrOrPromise"
    window_days: int | None = None
    start: str = ""
    unit: str = PERCENT
    direction: str = NEITHER
    rule: str = ""
    version: int = 1
    levels: Sequence[Level] = field(default_factory=tuple)

    @property
    def lines(self) -> "list[StrOrPromise]":
        """The definition in lines, for the page."""
        return [self.numerator, self.denominator, self.matures]

    @property
    def measures(self) -> list[str]:
        """The measures it is made from."""
        return measures_of(self.top) + measures_of(self.bottom)

    @property
    def is_cohort(self) -> bool:
        """Whether people are followed for a fixed window."""
        return self.basis == COHORT

    @property
    def unit_words(self) -> "StrOrPromise":
        """What a level is in: nothing for numbers and means, whose name says it."""
        return UNIT_WORDS.get(self.unit, "")

    @property
    def source(self) -> Anchor | Few:
        """What it is counted from: cells of rounds, or few rows asked straight."""
        return FEW[self.anchor] if self.anchor in FEW else ANCHORS[self.anchor]

    def deaf_to(self, filters: Iterable[str]) -> list[str]:
        """Which of these filters do not belong to it: asked for by one of them it counts nobody rather than others."""
        return sorted(set(filters) - self.source.cuts) if isinstance(self.source, Few) else []

    @property
    def has_list(self) -> bool:
        """Whether the people behind it can be listed: it counts people of rounds, one a round, and no things."""
        names, tops = set(self.measures), measures_of(self.top)
        things = THINGS.get(self.anchor, frozenset())
        return self.anchor in ANCHORS and len(tops) == 1 and not names & things

    @property
    def digest(self) -> str:
        """What stands for this very definition: it changes when any measure behind it does."""
        source = self.source
        sqls = [str(source.measures[name]) for name in self.measures]
        text = "|".join([self.top, self.bottom, source.counts, source.day, *sqls])
        return f"{self.version}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"


def measures_of(expression: str) -> list[str]:
    """The names in "n - lost_90"."""
    return re.findall(r"[a-z_][a-z_0-9]*", expression)


def amount(expression: str, counts: "dict[str, int]") -> int:
    """The value of "n - lost_90" with these counts."""
    total = 0
    for sign, name in re.findall(r"([+-]?)\s*([a-z_][a-z_0-9]*)", expression):
        total += -counts[name] if sign == "-" else counts[name]
    return total


class Register(dict[str, Indicator]):
    """Every indicator by key, in the order of the pages."""

    def of(self, group: str) -> list[Indicator]:
        """Those of one group."""
        return [one for one in self.values() if one.group == group]


@cache
def indicators() -> Register:
    """The register, read from the declarations of each group."""
    found = Register()
    for group in GROUPS:
        declared: Sequence[Indicator] = import_module(f"oversight.declared.{group}").DECLARED
        for one in declared:
            if one.key in found:
                raise ValueError(f"The indicator {one.key} is declared twice.")
            found[one.key] = one
    return found


BREAKDOWNS: "dict[str, StrOrPromise]" = {
    "month": _("month"),
    "sex": _("sex"),
    "age": _("five-year age"),
    "area": _("area"),
    "fifth": _("deprivation fifth"),
    "history": _("screening history"),
}
"""How figures are cut: key → words."""
EQUITY_CUTS: "dict[str, StrOrPromise]" = {
    "fifth": BREAKDOWNS["fifth"], "sex": BREAKDOWNS["sex"], "age": BREAKDOWNS["age"], "history": BREAKDOWNS["history"],
    "language": _("language"),
}  # fmt: skip
"""What people are told apart by on the page of equity; language is asked of every round of the days, so it takes longer."""
