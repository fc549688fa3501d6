"""Cancers reported from outside: what each was, given the tests and examinations before it; pure rules.

An interval cancer is one found after a test or examination that showed none and before the next one was due
(Sanduleanu et al., Gut 2015;64:1257). A cancer after a result at or above without a complete examination is not one: it
feeds the safety review, not the interval rate (job 2.18). A cancer after a clean complete colonoscopy is a
post-colonoscopy cancer (Rutter et al., Gastroenterology 2018;155:909, World Endoscopy Organization consensus).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class CancerClass(StrEnum):
    """What a reported cancer was for the programme."""

    OTHER_ORIGIN = "other_origin"
    LINK_UNSETTLED = "link_unsettled"
    SCREEN_DETECTED = "screen_detected"
    AFTER_BELOW = "after_below"
    NOT_EXAMINED = "not_examined"
    AFTER_EXAMINATION = "after_examination"
    IN_SURVEILLANCE = "in_surveillance"
    NEXT_TEST_PASSED = "next_test_passed"
    NEVER_TESTED = "never_tested"


CLASS_WORDS: Mapping[CancerClass, "StrOrPromise"] = {
    CancerClass.OTHER_ORIGIN: _("cancer of another organ"),
    CancerClass.LINK_UNSETTLED: _("not certain that it is this person: a second reader decides"),
    CancerClass.SCREEN_DETECTED: _("found through an open referral of this programme"),
    CancerClass.AFTER_BELOW: _("interval cancer after a result below the cutoff"),
    CancerClass.NOT_EXAMINED: _(
        "after a result at or above without a complete examination: for the safety review"
    ),
    CancerClass.AFTER_EXAMINATION: _("after a complete examination without cancer (post-colonoscopy cancer)"),
    CancerClass.IN_SURVEILLANCE: _("in surveillance, before the next examination was due"),
    CancerClass.NEXT_TEST_PASSED: _("after the day on which the next test was due"),
    CancerClass.NEVER_TESTED: _("never tested before"),
}
STAGES = ("I", "II", "III", "IV")
"""Stages as they are reported; anything else counts as not known."""
INTERVAL = frozenset({CancerClass.AFTER_BELOW})
"""What counts in the interval rate."""


@dataclass(frozen=True, slots=True)
class PastTest:
    """A result or an earlier registry's ended round: its day, whether it was at or above, and until when it holds."""

    on: date
    at_or_above: bool
    next_due: date


@dataclass(frozen=True, slots=True)
class Examined:
    """An examination: its day, whether complete and well prepared, whether it found a cancer."""

    on: date
    conclusive: bool
    found_cancer: bool


@dataclass(frozen=True, slots=True)
class Planned:
    """A signed surveillance examination: signed and planned day."""

    signed_on: date
    due_on: date


@dataclass(frozen=True, slots=True)
class History:
    """What happened to a person; `open_referrals` are (opened, closed or None)."""

    tests: Sequence[PastTest] = ()
    examinations: Sequence[Examined] = ()
    surveillance: Sequence[Planned] = ()
    open_referrals: Sequence[tuple[date, date | None]] = ()


def cancer_class(
    history: History, *, diagnosed_on: date, from_bowel: bool = True, settled: bool = True
) -> CancerClass:
    """What a cancer diagnosed on a day was; every history has exactly one answer.

    `settled` says that the cancer is certainly this person's, or that a second reader said so.
    """
    if not settled:
        return CancerClass.LINK_UNSETTLED
    if not from_bowel:
        return CancerClass.OTHER_ORIGIN
    open_then = any(
        opened <= diagnosed_on and (closed is None or diagnosed_on <= closed)
        for opened, closed in history.open_referrals
    )
    if open_then or any(one.found_cancer and one.on <= diagnosed_on for one in history.examinations):
        return CancerClass.SCREEN_DETECTED
    tests = [one for one in history.tests if one.on <= diagnosed_on]
    looked = [one for one in history.examinations if one.conclusive and one.on <= diagnosed_on]
    last_test = max(tests, key=lambda one: one.on, default=None)
    last_look = max(looked, key=lambda one: one.on, default=None)
    if last_look is not None and (last_test is None or last_look.on >= last_test.on):
        return _after_examination(history, last_look, last_test, diagnosed_on)
    if last_test is None:
        return CancerClass.NEVER_TESTED
    if last_test.at_or_above:
        return CancerClass.NOT_EXAMINED
    return CancerClass.AFTER_BELOW if diagnosed_on < last_test.next_due else CancerClass.NEXT_TEST_PASSED


def _after_examination(
    history: History, look: Examined, test: PastTest | None, diagnosed_on: date
) -> CancerClass:
    planned = [one for one in history.surveillance if look.on <= one.signed_on <= diagnosed_on]
    last = max(planned, key=lambda one: one.signed_on, default=None)
    if last is not None:
        return CancerClass.IN_SURVEILLANCE if diagnosed_on < last.due_on else CancerClass.NEXT_TEST_PASSED
    return CancerClass.AFTER_EXAMINATION
