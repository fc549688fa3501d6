"""What three published guidelines propose after an examination, each with the finding that decides; pure rules.

A proposal is never a decision: a clinician signs the next step and may deviate with a reason (R9). Nothing is proposed
as an interval after an incomplete or badly prepared examination, or while histology is missing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from results.findings import ADVANCED_MM, Dysplasia, Lesion, Removal, Tissue

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

LARGE_MM = 20


class Guideline(StrEnum):
    """Which published guideline the programme follows; dated, because each is replaced one day."""

    EUROPEAN_2020 = "european_2020"
    BRITISH_2020 = "british_2020"
    AMERICAN_2020 = "american_2020"


GUIDELINE_WORDS: Mapping[Guideline, "StrOrPromise"] = {
    Guideline.EUROPEAN_2020: _("European (ESGE 2020)"),
    Guideline.BRITISH_2020: _("British (BSG/ACPGBI/PHE 2020)"),
    Guideline.AMERICAN_2020: _("American (US Multi-Society Task Force 2020)"),
}


class Course(StrEnum):
    """What follows in kind."""

    SCREENING = "screening"
    SURVEILLANCE = "surveillance"
    EARLY_REPEAT = "early_repeat"
    TREATMENT = "treatment"
    FIRST_COMPLETE = "first_complete"
    AWAIT_HISTOLOGY = "await_histology"
    LESIONS_MISSING = "lesions_missing"


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a guideline proposes: months from the examination (earliest, latest), the rule, and the lesions behind it."""

    course: Course
    rule: str
    because: "StrOrPromise"
    months: tuple[int, int] | None = None
    lesions: tuple[int, ...] = ()

    @property
    def soonness(self) -> int:
        """Months to the next examination, to compare proposals; treatment is soonest, screening is last."""
        if self.course is Course.TREATMENT:
            return 0
        return self.months[0] if self.months else 10_000


@dataclass(frozen=True, slots=True)
class Counts:
    """The lesions a guideline counts."""

    lesions: tuple[Lesion, ...]

    @property
    def adenomas(self) -> tuple[Lesion, ...]:
        """Adenomas of any size."""
        return tuple(one for one in self.lesions if one.is_adenoma)

    @property
    def serrated(self) -> tuple[Lesion, ...]:
        """Serrated polyps, hyperplastic ones among them."""
        return tuple(one for one in self.lesions if one.is_serrated)

    @property
    def sessile(self) -> tuple[Lesion, ...]:
        """Sessile serrated lesions."""
        return tuple(one for one in self.lesions if one.counts_as is Tissue.SESSILE_SERRATED)

    def piecemeal(self) -> tuple[Lesion, ...]:
        """Polyps of 20 mm or more removed in pieces."""
        return tuple(
            one
            for one in self.lesions
            if (one.is_adenoma or one.is_serrated)
            and one.size_mm >= LARGE_MM
            and one.removal is Removal.PIECEMEAL
        )


def _numbers(lesions: Sequence[Lesion]) -> tuple[int, ...]:
    return tuple(one.number for one in lesions)


def _at(
    months: tuple[int, int],
    rule: str,
    because: "StrOrPromise",
    lesions: Sequence[Lesion],
    *,
    repeat: bool = False,
) -> Proposal:
    course = Course.EARLY_REPEAT if repeat else Course.SURVEILLANCE
    return Proposal(course, rule, because, months, _numbers(lesions))


def _european(found: Counts) -> list[Proposal]:
    """Source: Hassan et al., Endoscopy 2020;52:687, doi 10.1055/a-1185-3109."""
    out = []
    if pieces := found.piecemeal():
        words = _(
            "piecemeal resection of a polyp of 20 mm or more: early repeat at 3 to 6 months, then 12 months after it"
        )
        out.append(_at((3, 6), "piecemeal_20", words, pieces, repeat=True))
    risky = [one for one in found.adenomas if one.size_mm >= ADVANCED_MM or one.dysplasia is Dysplasia.HIGH]
    if risky:
        out.append(
            _at(
                (36, 36),
                "advanced_adenoma",
                _("an adenoma of 10 mm or more, or with high-grade dysplasia"),
                risky,
            )
        )
    if len(found.adenomas) >= 5:
        out.append(_at((36, 36), "five_adenomas", _("5 adenomas or more"), found.adenomas))
    serrated = [one for one in found.serrated if one.size_mm >= ADVANCED_MM or one.dysplastic]
    if serrated:
        out.append(
            _at(
                (36, 36),
                "advanced_serrated",
                _("a serrated polyp of 10 mm or more, or with dysplasia"),
                serrated,
            )
        )
    return out or [
        _back(
            _("at most 4 small low-grade adenomas, or small serrated polyps without dysplasia"), found.lesions
        )
    ]


def _british(found: Counts) -> list[Proposal]:
    """Source: Rutter et al., Gut 2020;69:201, doi 10.1136/gutjnl-2019-319858; definitions from memory."""
    counted = [one for one in found.lesions if one.premalignant]
    advanced = [one for one in counted if one.advanced(villous_counts=False)]
    large = [one for one in counted if one.size_mm >= LARGE_MM and not one.pedunculated]
    unsure = [one for one in large if one.removal is not Removal.EN_BLOC or one.clear_margins is not True]
    out = []
    if unsure:
        words = _(
            "a non-pedunculated polyp of 20 mm or more, not removed whole with clear margins: site check at 2 to 6 months"
        )
        out.append(_at((2, 6), "site_check", words, unsure, repeat=True))
    if large:
        out.append(_at((36, 36), "large_polyp", _("a non-pedunculated polyp of 20 mm or more"), large))
    if len(counted) >= 2 and advanced:
        words = _("2 or more premalignant polyps, at least one of them advanced")
        out.append(_at((36, 36), "two_with_advanced", words, counted))
    if len(counted) >= 5:
        out.append(_at((36, 36), "five_premalignant", _("5 or more premalignant polyps"), counted))
    return out or [
        _back(_("not high-risk: fewer than 5 premalignant polyps, and not 2 with an advanced one"), counted)
    ]


def _american(found: Counts) -> list[Proposal]:
    """Source: Gupta et al., Gastroenterology 2020, doi 10.1053/j.gastro.2019.10.026."""
    out = [*_american_adenomas(found), *_american_serrated(found)]
    if pieces := found.piecemeal():
        words = _("piecemeal resection of a polyp of 20 mm or more")
        out.append(_at((6, 6), "piecemeal_20", words, pieces, repeat=True))
    if out:
        return out
    if found.lesions:
        return [_at((120, 120), "small_hyperplastic", _("small hyperplastic polyps only"), found.lesions)]
    return [_at((120, 120), "normal", _("a normal colonoscopy"), ())]


def _american_adenomas(found: Counts) -> list[Proposal]:
    adenomas, out = found.adenomas, []
    risky = [
        one
        for one in adenomas
        if one.size_mm >= ADVANCED_MM
        or one.dysplasia is Dysplasia.HIGH
        or one.counts_as in {Tissue.VILLOUS, Tissue.TUBULOVILLOUS}
    ]
    if risky:
        words = _("an adenoma of 10 mm or more, with a villous part, or with high-grade dysplasia")
        out.append(_at((36, 36), "advanced_adenoma", words, risky))
    if len(adenomas) > 10:
        out.append(_at((12, 12), "over_ten_adenomas", _("more than 10 adenomas"), adenomas))
    elif len(adenomas) >= 5:
        out.append(_at((36, 36), "five_to_ten_adenomas", _("5 to 10 adenomas"), adenomas))
    elif len(adenomas) >= 3:
        out.append(_at((36, 60), "three_or_four_adenomas", _("3 or 4 adenomas under 10 mm"), adenomas))
    elif adenomas:
        out.append(_at((84, 120), "one_or_two_adenomas", _("1 or 2 adenomas under 10 mm"), adenomas))
    return out


def _american_serrated(found: Counts) -> list[Proposal]:
    sessile, out = found.sessile, []
    risky = [
        one
        for one in found.serrated
        if one.counts_as is Tissue.TRADITIONAL_SERRATED
        or (one.counts_as is Tissue.SESSILE_SERRATED and (one.size_mm >= ADVANCED_MM or one.dysplastic))
    ]
    if risky:
        words = _(
            "a sessile serrated lesion of 10 mm or more or with dysplasia, or a traditional serrated adenoma"
        )
        out.append(_at((36, 36), "advanced_serrated", words, risky))
    if len(sessile) >= 5:
        out.append(_at((36, 36), "five_sessile", _("5 or more sessile serrated lesions"), sessile))
    elif len(sessile) >= 3:
        out.append(
            _at((36, 60), "three_or_four_sessile", _("3 or 4 sessile serrated lesions under 10 mm"), sessile)
        )
    elif sessile:
        out.append(
            _at((60, 120), "one_or_two_sessile", _("1 or 2 sessile serrated lesions under 10 mm"), sessile)
        )
    large = [
        one for one in found.serrated if one.counts_as is Tissue.HYPERPLASTIC and one.size_mm >= ADVANCED_MM
    ]
    if large:
        out.append(_at((36, 60), "large_hyperplastic", _("a hyperplastic polyp of 10 mm or more"), large))
    return out


def _back(because: "StrOrPromise", lesions: Sequence[Lesion]) -> Proposal:
    return Proposal(Course.SCREENING, "back_to_screening", because, None, _numbers(lesions))


RULES: Mapping[Guideline, Callable[[Counts], list[Proposal]]] = {
    Guideline.EUROPEAN_2020: _european,
    Guideline.BRITISH_2020: _british,
    Guideline.AMERICAN_2020: _american,
}


REMOVAL_MONTHS = (1, 3)
"""When a lesion left in place is removed: common practice, no source."""
CLEAR_SURVEILLANCE_MONTHS = 60
FOLLOWED_UP = frozenset({Guideline.EUROPEAN_2020, Guideline.AMERICAN_2020})
"""Guidelines that ask for a second surveillance after a clear first one: European table 2; American from memory."""


def proposal(
    guideline: Guideline, lesions: Sequence[Lesion], *, conclusive: bool, surveillance_before: int = 0
) -> Proposal:
    """What the guideline proposes after these findings; the soonest of all rules that apply.

    A cancer goes to treatment whatever else there is. Without a complete, adequately prepared examination (`conclusive`),
    or while histology is missing, no interval is proposed (standards 6.5). `surveillance_before` counts the surveillance
    examinations so far, this one included: 0 after the first examination of a referral, 1 for the first surveillance.
    """
    cancers = [one for one in lesions if one.counts_as in {Tissue.CARCINOMA, Tissue.OTHER_CANCER}]
    if cancers:
        return Proposal(Course.TREATMENT, "cancer", _("a cancer"), None, _numbers(cancers))
    if not conclusive:
        words = _(
            "the examination was incomplete or badly prepared: first a complete one, no interval rests on this"
        )
        return Proposal(Course.FIRST_COMPLETE, "not_conclusive", words)
    waiting = [one for one in lesions if one.awaits_histology]
    if waiting:
        words = _("histology of a removed lesion is missing")
        return Proposal(Course.AWAIT_HISTOLOGY, "histology_missing", words, None, _numbers(waiting))
    left = [one for one in lesions if one.left_in_place]
    if left:
        words = _("a premalignant lesion was left in place: it is removed first, no interval rests on this")
        return _at(REMOVAL_MONTHS, "left_in_place", words, left, repeat=True)
    found = min(RULES[guideline](Counts(tuple(lesions))), key=lambda one: one.soonness)
    if surveillance_before == 1 and guideline in FOLLOWED_UP and found.soonness > CLEAR_SURVEILLANCE_MONTHS:
        words = _(
            "the first surveillance examination found nothing that needs surveillance: a second one at 5 years"
        )
        return _at((CLEAR_SURVEILLANCE_MONTHS,) * 2, "clear_first_surveillance", words, lesions)
    return found
