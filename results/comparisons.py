"""Lot against lot, analyser against analyser, and external assessment: what the pairs and scores say; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from math import sqrt
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

FEWEST_PAIRS = 20
LARGEST_SHIFT = Fraction(10, 100)
NEAR = Fraction(15, 100)


class Finding(StrEnum):
    """What stands in the way of accepting a comparison."""

    TOO_FEW = "too_few"
    NOT_SPANNING = "not_spanning"
    SHIFTED = "shifted"
    CLASSES_CHANGE = "classes_change"

    @property
    def sentence(self) -> StrOrPromise:
        """The finding in words."""
        return _WORDS[self]


_WORDS: dict[Finding, StrOrPromise] = {
    Finding.TOO_FEW: _("Fewer than 20 samples were measured with both."),
    Finding.NOT_SPANNING: _("The samples do not lie below, near and above the cutoff."),
    Finding.SHIFTED: _("Near the cutoff the readings differ by more than 10 % on average."),
    Finding.CLASSES_CHANGE: _(
        "More than 1 in 20 samples near the cutoff change sides, or one far from it does."
    ),
}


@dataclass(frozen=True, slots=True)
class Pair:
    """One sample measured with the known and with the new lot or analyser, in µg/g."""

    known: Decimal
    new: Decimal


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a set of pairs says."""

    n: int
    mean_percent: float | None
    """Mean difference in % of the known value over all pairs with a known value above zero."""
    sd_percent: float | None
    near: int
    near_percent: float | None
    changes_near: int
    changes_far: int
    findings: tuple[Finding, ...]

    @property
    def accepted(self) -> bool:
        """Whether nothing stands in the way."""
        return not self.findings


def compare(pairs: Sequence[Pair], cutoff: Decimal) -> Comparison:
    """Set two lots or two analysers against each other on the same samples.

    Accepted with at least 20 samples below, near (within 15 % of the cutoff) and above, a mean difference near the
    cutoff of at most 10 %, at most 1 in 20 changing sides near it and none far from it. ValueError for a cutoff that is
    not above zero. Source: job 7.7 (design from memory, limits local).
    """
    if not cutoff > 0:
        raise ValueError("a cutoff must be above zero")
    line = Fraction(cutoff)
    relative = [(Fraction(p.new) - Fraction(p.known)) / Fraction(p.known) for p in pairs if p.known > 0]
    near = [p for p in pairs if abs(Fraction(p.known) - line) <= NEAR * line]
    near_relative = [(Fraction(p.new) - Fraction(p.known)) / Fraction(p.known) for p in near]
    changed = [p for p in pairs if (p.known >= cutoff) != (p.new >= cutoff)]
    changes_near = sum(p in near for p in changed)
    findings = []
    if len(pairs) < FEWEST_PAIRS:
        findings.append(Finding.TOO_FEW)
    below, above = (
        any(p.known < line * (1 - NEAR) for p in pairs),
        any(p.known > line * (1 + NEAR) for p in pairs),
    )
    if not (below and above and near):
        findings.append(Finding.NOT_SPANNING)
    if near_relative and abs(sum(near_relative, Fraction(0)) / len(near_relative)) > LARGEST_SHIFT:
        findings.append(Finding.SHIFTED)
    if 20 * changes_near > max(len(near), 1) or len(changed) > changes_near:
        findings.append(Finding.CLASSES_CHANGE)
    return Comparison(
        n=len(pairs), mean_percent=_mean(relative), sd_percent=_sd(relative), near=len(near),
        near_percent=_mean(near_relative), changes_near=changes_near, changes_far=len(changed) - changes_near,
        findings=tuple(findings),
    )  # fmt: skip


def _mean(values: Sequence[Fraction]) -> float | None:
    return float(100 * sum(values, Fraction(0)) / len(values)) if values else None


def _sd(values: Sequence[Fraction]) -> float | None:
    if len(values) < 2:
        return None
    mean = sum(values, Fraction(0)) / len(values)
    return 100 * sqrt(sum(((v - mean) ** 2 for v in values), Fraction(0)) / (len(values) - 1))


class Score(StrEnum):
    """What an external assessment's score asks for."""

    FINE = "fine"
    QUESTIONABLE = "questionable"
    UNSATISFACTORY = "unsatisfactory"

    @property
    def sentence(self) -> StrOrPromise:
        """The score in words."""
        return _SCORES[self]


_SCORES: dict[Score, StrOrPromise] = {
    Score.FINE: _("within 2 SD of the assigned value"),
    Score.QUESTIONABLE: _("more than 2 SD off: look into it and write down what was found"),
    Score.UNSATISFACTORY: _("3 SD off or more: act, and look back at the results since the last good round"),
}


def assessment_z(value: Decimal, assigned: Decimal, sd: Decimal) -> Fraction:
    """z = (value − assigned) / SD of the scheme. ValueError for an SD that is not above zero."""
    if not sd > 0:
        raise ValueError("an SD must be above zero")
    return (Fraction(value) - Fraction(assigned)) / Fraction(sd)


def assessment_score(z: Fraction) -> Score:
    """|z| ≤ 2 fine, under 3 questionable, 3 and over unsatisfactory. Source: ISO 13528 (from memory)."""
    if abs(z) <= 2:
        return Score.FINE
    return Score.QUESTIONABLE if abs(z) < 3 else Score.UNSATISFACTORY
