"""Whether a run's control readings are in control: the multirule, missing and failed checks; pure rules."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from itertools import combinations
from typing import TYPE_CHECKING

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class Rule(StrEnum):
    """The rules a control reading can break."""

    R_1_2S = "1-2s"
    R_1_3S = "1-3s"
    R_2_2S = "2-2s"
    R_R_4S = "R-4s"
    R_4_1S = "4-1s"
    R_10X = "10x"
    MISSING = "missing"
    FAILED_CHECK = "failed_check"

    @property
    def words(self) -> StrOrPromise:
        """What the rule means, in words for the bench."""
        return _WORDS[self]


_WORDS: dict[Rule, StrOrPromise] = {
    Rule.R_1_2S: _("one reading is more than 2 SD from its target"),
    Rule.R_1_3S: _("one reading is more than 3 SD from its target"),
    Rule.R_2_2S: _("two readings in a row are more than 2 SD off on the same side"),
    Rule.R_R_4S: _("two readings of the run lie more than 4 SD apart"),
    Rule.R_4_1S: _("four readings in a row are more than 1 SD off on the same side"),
    Rule.R_10X: _("ten readings in a row are on the same side of the target"),
    Rule.MISSING: _("a control that the scheme asks for was not measured"),
    Rule.FAILED_CHECK: _("a pass/fail check did not pass"),
}


class Action(StrEnum):
    """What a broken rule asks for, from the gravest to the lightest."""

    REJECT = "reject"
    INVESTIGATE = "investigate"
    WARN = "warn"


class RangeRule(StrEnum):
    """The two definitions of R-4s in use."""

    BOTH_BEYOND_2 = "both_beyond_2"
    RANGE_OVER_4 = "range_over_4"


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """A control reading of a run: its material (level and lot) and its distance from target in SD."""

    run: int | str
    material: str
    z: Fraction


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """A pass/fail check of a run."""

    run: int | str
    material: str
    passed: bool


def default_actions() -> dict[Rule, Action]:
    """What each rule asks for by default; a protocol may say otherwise for each analyser, except the last
    two.

    Source: Westgard multirule (Westgard et al., Clin Chem 1981;27:493-501, from memory); 4-1s and 10x are
    investigated rather than rejected by this programme's default.
    """
    return {
        Rule.R_1_2S: Action.WARN,
        Rule.R_1_3S: Action.REJECT,
        Rule.R_2_2S: Action.REJECT,
        Rule.R_R_4S: Action.REJECT,
        Rule.R_4_1S: Action.INVESTIGATE,
        Rule.R_10X: Action.INVESTIGATE,
    }


@dataclass(frozen=True, slots=True)
class ControlScheme:
    """The controls a run needs and the rules they are judged by; a rule left out of ``actions`` is not
    applied.

    ``across_materials`` also counts 4-1s and 10x over all materials in the order they were measured.
    """

    required: frozenset[str]
    required_checks: frozenset[str] = frozenset()
    range_rule: RangeRule = RangeRule.BOTH_BEYOND_2
    across_materials: bool = True
    actions: Mapping[Rule, Action] = field(default_factory=default_actions)


@dataclass(frozen=True, slots=True)
class Hit:
    """A broken rule, the materials concerned and what it asks for."""

    rule: Rule
    materials: tuple[str, ...]
    action: Action

    @property
    def sentence(self) -> StrOrPromise:
        """The broken rule in words with its name and the materials: “2-2s: two readings … (level 1)”."""
        return format_lazy(
            _("{rule}: {words} ({materials})"),
            rule=self.rule.value,
            words=self.rule.words,
            materials=", ".join(self.materials),
        )


@dataclass(frozen=True, slots=True)
class ControlVerdict:
    """Whether a run is in control, with every broken rule, gravest first."""

    in_control: bool
    hits: tuple[Hit, ...]

    @property
    def to_investigate(self) -> bool:
        """Whether something must be looked into before tomorrow although the run may go on."""
        return any(hit.action is Action.INVESTIGATE for hit in self.hits)

    @property
    def sentence(self) -> StrOrPromise:
        """The verdict in words, with the gravest broken rule."""
        if not self.hits:
            return _("In control.")
        frame = {
            Action.REJECT: _("Not in control, no result may be released. {hit}"),
            Action.INVESTIGATE: _("In control; look into this before tomorrow. {hit}"),
            Action.WARN: _("In control, with a warning. {hit}"),
        }[self.hits[0].action]
        return format_lazy(frame, hit=self.hits[0].sentence)


def z_score(value: Decimal, target: Decimal, sd: Decimal) -> Fraction:
    """A control reading's distance from target in SD, exactly, so that 2 SD is not more than 2 SD.

    Same unit for all three. ValueError for an SD that is not above zero. Source: z = (x − mean) / SD.
    """
    if not sd > 0:
        raise ValueError("an SD must be above zero")
    return (Fraction(value) - Fraction(target)) / Fraction(sd)


def judge_run(
    history: Sequence[ControlPoint],
    points: Sequence[ControlPoint],
    scheme: ControlScheme,
    checks: Sequence[CheckPoint] = (),
) -> ControlVerdict:
    """Whether the control readings of one run are in control.

    ``history`` are the earlier readings that count on the same analyser, materials and targets, oldest
    first; ``points`` those of this run in the order measured. Only rules in which a reading of this run
    takes part are reported. Limits are strict: exactly 2 SD breaks nothing, a reading on target ends a
    10x streak. A required control or check that is missing, or a failed check, always rejects. ValueError
    if ``points`` or ``checks`` are of more than one run. Source: Westgard et al., Clin Chem
    1981;27:493-501 (rule texts); ruling R6.
    """
    if len({point.run for point in points} | {check.run for check in checks}) > 1:
        raise ValueError("the readings judged together must be of one run")
    hits = list(_presence(points, checks, scheme))
    for rule, find in _FINDERS.items():
        action = scheme.actions.get(rule)
        if action is not None:
            hits += [Hit(rule, materials, action) for materials in find(history, points, scheme)]
    order = list(Action)
    hits.sort(key=lambda hit: order.index(hit.action))
    return ControlVerdict(not any(hit.action is Action.REJECT for hit in hits), tuple(hits))


def _presence(
    points: Sequence[ControlPoint], checks: Sequence[CheckPoint], scheme: ControlScheme
) -> Iterator[Hit]:
    """What the scheme asks for and the run lacks, and checks that did not pass."""
    missing = scheme.required - {point.material for point in points}
    missing |= scheme.required_checks - {check.material for check in checks}
    if missing:
        yield Hit(Rule.MISSING, tuple(sorted(missing)), Action.REJECT)
    failed = sorted({check.material for check in checks if not check.passed})
    if failed:
        yield Hit(Rule.FAILED_CHECK, tuple(failed), Action.REJECT)


Found = Iterator[tuple[str, ...]]
Finder = Callable[[Sequence[ControlPoint], Sequence[ControlPoint], ControlScheme], Found]


def _materials(points: Sequence[ControlPoint]) -> tuple[str, ...]:
    """The materials of some readings, each once, in the order measured."""
    return tuple(dict.fromkeys(point.material for point in points))


def _same_side(points: Sequence[ControlPoint], limit: int) -> bool:
    """Whether all readings lie beyond the limit on one side."""
    return all(point.z > limit for point in points) or all(point.z < -limit for point in points)


def _beyond(limit: int) -> Finder:
    def find(_h: Sequence[ControlPoint], points: Sequence[ControlPoint], _s: ControlScheme) -> Found:
        outside = [point for point in points if abs(point.z) > limit]
        if outside:
            yield _materials(outside)

    return find


def _two_two(history: Sequence[ControlPoint], points: Sequence[ControlPoint], _s: ControlScheme) -> Found:
    """The same material twice running (over runs or within one), or two materials of this run."""
    found = set(_streaks(history, points, 2, 2))
    for one, other in combinations(points, 2):
        if one.material != other.material and _same_side((one, other), 2):
            found.add((one.material, other.material))
    yield from sorted(found)


def _range(_h: Sequence[ControlPoint], points: Sequence[ControlPoint], scheme: ControlScheme) -> Found:
    """Within this run: one beyond +2 SD and one beyond −2 SD, or a range of more than 4 SD."""
    if len(points) < 2:
        return
    low, high = min(points, key=lambda point: point.z), max(points, key=lambda point: point.z)
    both = low.z < -2 and high.z > 2
    wide = scheme.range_rule is RangeRule.RANGE_OVER_4 and high.z - low.z > 4
    if both or wide:
        yield _materials((low, high))


def _in_a_row(length: int, limit: int) -> Finder:
    def find(history: Sequence[ControlPoint], points: Sequence[ControlPoint], scheme: ControlScheme) -> Found:
        found = list(dict.fromkeys(_streaks(history, points, length, limit)))
        if not found and scheme.across_materials:
            found = list(_windows(history, points, length, limit))[:1]
        yield from found

    return find


def _streaks(
    history: Sequence[ControlPoint], points: Sequence[ControlPoint], length: int, limit: int
) -> Found:
    """Materials with so many readings in a row beyond a limit on one side, the last of them in this run."""
    for material in _materials(points):
        before = [point for point in history if point.material == material]
        now = [point for point in points if point.material == material]
        yield from _windows(before, now, length, limit)


def _windows(
    history: Sequence[ControlPoint], points: Sequence[ControlPoint], length: int, limit: int
) -> Found:
    series = [*history[-(length - 1) :], *points]
    start = len(series) - len(points)
    for end in range(max(start, length - 1), len(series)):
        window = series[end - length + 1 : end + 1]
        if _same_side(window, limit):
            yield _materials(window)


_FINDERS: dict[Rule, Finder] = {
    Rule.R_1_3S: _beyond(3),
    Rule.R_2_2S: _two_two,
    Rule.R_R_4S: _range,
    Rule.R_4_1S: _in_a_row(4, 1),
    Rule.R_10X: _in_a_row(10, 0),
    Rule.R_1_2S: _beyond(2),
}
