"""Which side of the cutoff a reading falls on, which cutoff rule applies, and what is wrong with a rule;
pure rules."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from itertools import combinations
from typing import TYPE_CHECKING, Literal

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from results.units import Comparator, Quantity, exact_decimal, round_half_up, to_ug_per_g

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

Comparison = Literal[">=", ">"]


class Side(StrEnum):
    """The side of the cutoff; a reading that cannot be told goes to a person."""

    BELOW = "below"
    AT_OR_ABOVE = "at_or_above"
    NEEDS_PERSON = "needs_person"


class ClassReason(StrEnum):
    """Why the side is what it is."""

    MEASURED = "measured"
    UNDER_LOWER_LIMIT = "under_lower_limit"
    OVER_UPPER_LIMIT = "over_upper_limit"
    STRADDLES_CUTOFF = "straddles_cutoff"
    ANALYSER_DISAGREES = "analyser_disagrees"
    ANALYSER_SAYS = "analyser_says"
    LIMIT_DIFFERS = "limit_differs"

    @property
    def sentence(self) -> StrOrPromise:
        """The reason in words for the laboratory."""
        return _REASONS[self]


_REASONS: dict[ClassReason, StrOrPromise] = {
    ClassReason.MEASURED: _(
        "Compared with the cutoff as measured and rounded as reported: both on the same side."
    ),
    ClassReason.UNDER_LOWER_LIMIT: _("Less than a limit that is itself below the cutoff."),
    ClassReason.OVER_UPPER_LIMIT: _("More than a limit that is itself at or above the cutoff."),
    ClassReason.STRADDLES_CUTOFF: _("The limit leaves both sides of the cutoff possible; a person decides."),
    ClassReason.ANALYSER_DISAGREES: _("The analyser's own yes or no disagrees; a person decides."),
    ClassReason.ANALYSER_SAYS: _("Only the analyser's yes or no, at a limit that is this person's cutoff."),
    ClassReason.LIMIT_DIFFERS: _(
        "Only yes or no, at a limit that is not this person's cutoff; a number is needed."
    ),
}


@dataclass(frozen=True, slots=True)
class Device:
    """What a kit model version says: buffer mL, stool mg, and its limits in µg/g where declared."""

    buffer_ml: Decimal
    mass_mg: Decimal
    loq_ug_per_g: Decimal | None = None
    upper_limit_ug_per_g: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Classification:
    """A reading set against a cutoff: the side, what is reported (µg/g), the exact value, and why."""

    side: Side
    reported: Decimal
    exact: Fraction
    differs: bool
    reason: ClassReason
    comparator: Comparator
    shown: str

    @property
    def sentence(self) -> StrOrPromise:
        """The reason in words; where rounding changes the side, which of the two decided (R4)."""
        if self.reason is not ClassReason.MEASURED or not self.differs:
            return self.reason.sentence
        if Fraction(self.reported) > self.exact:
            return _("At or above rounded as reported, below as measured; one of the two is enough.")
        return _("At or above as measured, below rounded as reported; one of the two is enough.")

    @property
    def exact_shown(self) -> str:
        """The exact value in µg/g without its unit, shown beside where it falls on the other side (R4)."""
        return format(exact_decimal(self.exact, 6), "f")


def classify(
    quantity: Quantity,
    unit: str,
    device: Device,
    decimals: int,
    cutoff: Decimal,
    comparison: Comparison = ">=",
    analyser_says: bool | None = None,
) -> Classification:
    """The side of ``cutoff`` (µg/g) a reading falls on.

    ``reported`` is the exact µg/g rounded half up, once, at the protocol's ``decimals``. At or above if
    the reported **or** the exact value meets the comparison; ``differs`` says that only one of them does,
    so the exact value is shown beside. A censored reading (``<``, ``>``) has a side only if every value
    it allows has that side. Where the analyser's own yes/no (``analyser_says``: True = at or above)
    disagrees, a person decides. ReadingError for an unknown unit or an incomplete device, ValueError for
    a cutoff that is not above zero. Source: ruling R4; censored values as in Fraser and Benton, CCLM
    2018, doi 10.1515/cclm-2018-0464 (from memory).
    """
    if cutoff <= 0:
        raise ValueError("a cutoff must be above zero")
    exact = to_ug_per_g(quantity.value, unit, device.buffer_ml, device.mass_mg)
    reported = round_half_up(exact, decimals)
    line = Fraction(cutoff)
    by_exact, by_reported = _meets(exact, line, comparison), _meets(Fraction(reported), line, comparison)
    if quantity.comparator == "<":
        side, reason = _side_under(exact, decimals, line, comparison)
        differs = False
    elif quantity.comparator == ">":
        side, reason = _side_over(exact, reported, line, comparison)
        differs = False
    else:
        side = Side.AT_OR_ABOVE if by_exact or by_reported else Side.BELOW
        reason, differs = ClassReason.MEASURED, by_exact != by_reported
    told = analyser_says is not None and side is not Side.NEEDS_PERSON
    if told and analyser_says != (side is Side.AT_OR_ABOVE):
        side, reason = Side.NEEDS_PERSON, ClassReason.ANALYSER_DISAGREES
    shown = shown_value(quantity.comparator, exact, device, decimals)
    return Classification(side, reported, exact, differs, reason, quantity.comparator, shown)


def classify_yes_no(
    says: bool,
    limit: Decimal,
    unit: str,
    device: Device,
    decimals: int,
    cutoff: Decimal,
    comparison: Comparison = ">=",
) -> Classification:
    """The side of a reading that is only the analyser's own yes or no against its set ``limit`` (in ``unit``).

    It counts only where the limit, exactly converted, is the cutoff of that person; anywhere else a number is needed.
    A yes counts as at or above under either comparison, because it may mean the limit itself. Source: job 2.8-9.
    """
    if cutoff <= 0:
        raise ValueError("a cutoff must be above zero")
    exact = to_ug_per_g(limit, unit, device.buffer_ml, device.mass_mg)
    reported = round_half_up(exact, decimals)
    side, reason = Side.AT_OR_ABOVE if says else Side.BELOW, ClassReason.ANALYSER_SAYS
    if exact != Fraction(cutoff):
        side, reason = Side.NEEDS_PERSON, ClassReason.LIMIT_DIFFERS
    shown = f"{'≥' if says else '<'}{reported}"
    return Classification(side, reported, exact, False, reason, ">" if says else "<", shown)


def _meets(value: Fraction, cutoff: Fraction, comparison: Comparison) -> bool:
    return value >= cutoff if comparison == ">=" else value > cutoff


def _side_under(
    limit: Fraction, decimals: int, cutoff: Fraction, comparison: Comparison
) -> tuple[Side, ClassReason]:
    """``< limit``: below if no value under the limit could be at or above, exactly or as reported."""
    unit = Fraction(1, 10**decimals)
    highest = Fraction(round_half_up(limit, decimals))
    if highest - limit == unit / 2:
        highest -= unit
    if limit > cutoff or _meets(highest, cutoff, comparison):
        return Side.NEEDS_PERSON, ClassReason.STRADDLES_CUTOFF
    return Side.BELOW, ClassReason.UNDER_LOWER_LIMIT


def _side_over(
    limit: Fraction, reported: Decimal, cutoff: Fraction, comparison: Comparison
) -> tuple[Side, ClassReason]:
    """``> limit``: at or above if every value over the limit is, exactly or as reported."""
    if limit >= cutoff or _meets(Fraction(reported), cutoff, comparison):
        return Side.AT_OR_ABOVE, ClassReason.OVER_UPPER_LIMIT
    return Side.NEEDS_PERSON, ClassReason.STRADDLES_CUTOFF


def shown_value(comparator: Comparator, exact: Fraction, device: Device, decimals: int) -> str:
    """The µg/g figure to print, without its unit: never a number outside the declared limits.

    Source: Fraser and Benton, CCLM 2018: print ``< LoQ`` below the limit of quantitation and ``> limit``
    above the upper measuring limit (from memory).
    """
    loq, upper = device.loq_ug_per_g, device.upper_limit_ug_per_g
    if loq is not None and comparator != ">" and exact < Fraction(loq):
        return f"<{round_half_up(loq, decimals)}"
    if upper is not None and comparator != "<" and exact > Fraction(upper):
        return f">{round_half_up(upper, decimals)}"
    return f"{comparator}{round_half_up(exact, decimals)}"


@dataclass(frozen=True, slots=True)
class CutoffRule:
    """A dated cutoff in µg/g: in force from ``valid_from`` up to, not including, ``valid_until``.

    ``sex`` is ``female``, ``male`` or None for any; ages are inclusive completed years, None for open;
    ``first_round`` is True, False or None for any.
    """

    id: int
    valid_from: date
    cutoff: Decimal
    comparison: Comparison = ">="
    valid_until: date | None = None
    sex: Literal["female", "male"] | None = None
    age_from: int | None = None
    age_to: int | None = None
    first_round: bool | None = None

    def in_force(self, on: date) -> bool:
        """Whether the rule is in force on a day."""
        return self.valid_from <= on and (self.valid_until is None or on < self.valid_until)

    def could_apply(self, sex: str | None, age: int | None, first_round: bool | None) -> bool:
        """Whether the rule fits what is known; what is unknown fits every rule (ruling R10)."""
        known_sex = sex if sex in ("female", "male") else None
        sex_fits = self.sex is None or known_sex is None or self.sex == known_sex
        age_fits = age is None or (
            (self.age_from or 0) <= age <= (999 if self.age_to is None else self.age_to)
        )
        round_fits = self.first_round is None or first_round is None or self.first_round == first_round
        return sex_fits and age_fits and round_fits


class CutoffErrorCode(StrEnum):
    """Why no cutoff can be named."""

    NO_RULE = "cutoff_no_rule"


class CutoffError(LookupError):
    """No cutoff rule covers a person: nothing may be classified until one does."""

    def __init__(self, code: CutoffErrorCode, sentence: StrOrPromise) -> None:
        super().__init__(code.value)
        self.code = code
        self.sentence: str | Promise = sentence


def cutoff_for(
    rules: Iterable[CutoffRule], sex: str | None, age: int | None, on: date, first_round: bool | None = None
) -> CutoffRule:
    """The rule in force on ``on`` for that sex and age (completed years).

    Other or unknown sex, unknown age and unknown first round: the lowest cutoff that could apply (of
    equals, ``>=`` before ``>``, then the lower id). CutoffError if none fits. Source: ruling R10.
    """
    fitting = [rule for rule in rules if rule.in_force(on) and rule.could_apply(sex, age, first_round)]
    if not fitting:
        raise CutoffError(
            CutoffErrorCode.NO_RULE,
            _("No cutoff rule in force covers this person. Add one to the protocol before classifying."),
        )
    return min(fitting, key=lambda rule: (rule.cutoff, rule.comparison == ">", rule.id))


class RuleProblemCode(StrEnum):
    """What is wrong with a set of cutoff rules."""

    NOT_ABOVE_ZERO = "cutoff_not_above_zero"
    NOT_ABOVE_LOQ = "cutoff_not_above_loq"
    NOT_UNDER_UPPER_LIMIT = "cutoff_not_under_upper_limit"
    TOO_FINE = "cutoff_finer_than_reported"
    OVERLAP = "cutoff_rules_overlap"
    EMPTY_PERIOD = "cutoff_period_empty"
    EMPTY_AGES = "cutoff_ages_empty"


@dataclass(frozen=True, slots=True)
class RuleProblem:
    """One thing wrong with a rule, with the ids of the rules concerned and a sentence."""

    code: RuleProblemCode
    rules: tuple[int, ...]
    sentence: StrOrPromise


def rule_problems(rules: Sequence[CutoffRule], devices: Sequence[Device], decimals: int) -> list[RuleProblem]:
    """Everything that stops a set of rules from coming into force; empty when nothing does.

    A cutoff must be above every kit model's limit of quantitation and under its upper limit (µg/g), have
    no more decimals than are reported, and no two rules may cover the same person on the same day.
    Source: a cutoff below the limit of quantitation cannot be measured (Fraser and Benton, CCLM 2018,
    from memory).
    """
    found = [problem for rule in rules for problem in _single_problems(rule, devices, decimals)]
    for one, other in combinations(rules, 2):
        if _overlap(one, other):
            sentence = format_lazy(
                _("Cutoff rules {one} and {other} cover the same people on the same days. End one of them."),
                one=one.id,
                other=other.id,
            )
            found.append(RuleProblem(RuleProblemCode.OVERLAP, (one.id, other.id), sentence))
    return found


def _single_problems(rule: CutoffRule, devices: Sequence[Device], decimals: int) -> Iterable[RuleProblem]:
    loqs = [device.loq_ug_per_g for device in devices if device.loq_ug_per_g is not None]
    uppers = [device.upper_limit_ug_per_g for device in devices if device.upper_limit_ug_per_g is not None]
    checks: list[tuple[bool, RuleProblemCode, StrOrPromise]] = [
        (rule.cutoff <= 0, RuleProblemCode.NOT_ABOVE_ZERO, _("The cutoff must be above zero.")),
        (
            bool(loqs) and rule.cutoff <= max(loqs),
            RuleProblemCode.NOT_ABOVE_LOQ,
            _("The cutoff must be above the limit of quantitation of every kit model in use."),
        ),
        (
            bool(uppers) and rule.cutoff >= min(uppers),
            RuleProblemCode.NOT_UNDER_UPPER_LIMIT,
            _("The cutoff must be under the upper measuring limit of every kit model in use."),
        ),
        (
            Fraction(rule.cutoff) != Fraction(round_half_up(rule.cutoff, decimals)),
            RuleProblemCode.TOO_FINE,
            _("The cutoff has more decimals than results are reported with."),
        ),
        (
            rule.valid_until is not None and rule.valid_until <= rule.valid_from,
            RuleProblemCode.EMPTY_PERIOD,
            _("The rule ends before it begins."),
        ),
        (
            rule.age_from is not None and rule.age_to is not None and rule.age_to < rule.age_from,
            RuleProblemCode.EMPTY_AGES,
            _("The upper age is under the lower age."),
        ),
    ]
    return [RuleProblem(code, (rule.id,), sentence) for wrong, code, sentence in checks if wrong]


def _overlap(one: CutoffRule, other: CutoffRule) -> bool:
    """Whether some person on some day falls under both rules."""
    same_sex = one.sex is None or other.sex is None or one.sex == other.sex
    same_round = one.first_round is None or other.first_round is None or one.first_round == other.first_round
    starts, ends = max(one.valid_from, other.valid_from), [one.valid_until, other.valid_until]
    same_days = all(end is None or starts < end for end in ends)
    youngest = max(one.age_from or 0, other.age_from or 0)
    same_ages = all(top is None or youngest <= top for top in (one.age_to, other.age_to))
    return same_sex and same_round and same_days and same_ages
