"""Finds the days on which a figure changed its meaning: a new cutoff, a new kit model, a protocol or definition changed (R13)."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.filters import Asked
from results.models import CutoffRule, ResultsPolicy
from screening.models import KitModel, ScreeningPolicy

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

BY_CUTOFF = frozenset({"positivity", "follow_up", "yields"})
BY_KIT = frozenset({"uptake", "positivity", "yields", "laboratory"})
BY_PEOPLE = frozenset({"uptake", "positivity", "yields"})
BY_FINDING = frozenset({"yields"})
"""Groups of indicators whose meaning changes with a cutoff, a kit model, who is invited, and what counts as advanced."""
WOMEN, MEN = 1, 2


@dataclass(frozen=True, slots=True)
class Break:
    """One change, the day it came into force, and the groups of indicators it touches."""

    day: date
    words: "StrOrPromise"
    groups: frozenset[str] = BY_CUTOFF | BY_KIT

    @property
    def month(self) -> str:
        """The key of its month."""
        return self.day.replace(day=1).isoformat()


def breaks_of(asked: Asked) -> Sequence[Break]:
    """The breaks to be drawn: those of the days asked for when figures are cut by month, else none."""
    return breaks_between(asked.since, asked.until) if asked.by == "month" else ()


def breaks_between(since: date, until: date) -> list[Break]:
    """What came into force after the first and up to the last day and changed something, in order."""
    found = [*_cutoffs(), *_kit_models(), *_protocols(), *_definitions()]
    return sorted((one for one in found if since < one.day <= until), key=lambda one: one.day)


def _cutoffs() -> Iterator[Break]:
    """A rule that says the same as the one it follows (as when a protocol is carried over) is no break."""
    rules = [rule for rule in CutoffRule.objects.filter(approved_by__isnull=False) if rule.valid.lower]
    for rule in rules:
        before = [
            one for one in rules
            if one.valid.upper == rule.valid.lower and _meet(one.sex_key, rule.sex_key) and _meet(one.ages, rule.ages)
        ]  # fmt: skip
        same = {(one.cutoff_ug_g, one.comparison) for one in before}
        if same != {(rule.cutoff_ug_g, rule.comparison)}:
            yield Break(rule.valid.lower, _cutoff_words(rule), BY_CUTOFF)


def _meet(one: object, other: object) -> bool:
    """Whether two ranges of whole numbers share one."""
    low = max(edge for edge in (one.lower, other.lower, 0) if edge is not None)  # type: ignore[attr-defined]
    high = min(edge for edge in (one.upper, other.upper, 1000) if edge is not None)  # type: ignore[attr-defined]
    return bool(low < high)


def _cutoff_words(rule: CutoffRule) -> "StrOrPromise":
    value = f"{rule.cutoff_ug_g.normalize():f}"
    whom = {(WOMEN, WOMEN + 1): _("women"), (MEN, MEN + 1): _("men")}.get(
        (rule.sex_key.lower, rule.sex_key.upper)
    )
    if whom:
        return format_lazy(_("cutoff {value} µg/g, {whom}"), value=value, whom=whom)
    return format_lazy(_("cutoff {value} µg/g"), value=value)


def _kit_models() -> Iterator[Break]:
    for model in KitModel.objects.all():
        yield Break(model.valid_from, format_lazy(_("kit model {name}"), name=str(model)), BY_KIT)


def _protocols() -> Iterator[Break]:
    """A protocol that invites other people, or at another interval, than the one before it."""
    sections = ScreeningPolicy.objects.filter(protocol__approved_by__isnull=False).select_related("protocol")
    for before, after in pairwise(sections.order_by("protocol__valid_from")):
        if (before.age_from, before.age_to) != (after.age_from, after.age_to):
            words = format_lazy(_("ages {low}–{high}"), low=after.age_from, high=after.age_to)
            yield Break(after.protocol.valid_from, words, BY_PEOPLE)
        if before.interval_months != after.interval_months:
            words = format_lazy(_("every {n} months"), n=after.interval_months)
            yield Break(after.protocol.valid_from, words, BY_PEOPLE)


def _definitions() -> Iterator[Break]:
    """What makes an adenoma advanced; findings keep the definition of their day."""
    sections = ResultsPolicy.objects.filter(
        protocol__approved_by__isnull=False, withdrawn_by__isnull=True
    ).select_related("protocol")
    for before, after in pairwise(sections.order_by("protocol__valid_from")):
        if before.villous_counts != after.villous_counts:
            words = (
                _("advanced: a villous part counts")
                if after.villous_counts
                else _("advanced: a villous part does not count")
            )
            yield Break(after.protocol.valid_from, words, BY_FINDING)
