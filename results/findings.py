"""What lesions amount to: the class of each, the most serious of all, and what is still missing; pure rules.

Sources: order of seriousness and definitions of "advanced": European guidelines for quality assurance, Endoscopy 2012;44:SE31
(adenoma of 10 mm or more, high-grade dysplasia, or a villous part) and Hassan et al., Endoscopy 2020;52:687 (serrated polyp
of 10 mm or more or with dysplasia). A traditional serrated adenoma counts as dysplastic, a small hyperplastic polyp of the
rectum as no premalignant lesion (Rutter et al., Gut 2020;69:201, from memory).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

ADVANCED_MM = 10
DIMINUTIVE_MM = 5
ASK_ABOVE_MM = 60
"""A size above this is asked about before it is taken (100 typed for 10)."""
LARGEST_MM = 200


class Tissue(StrEnum):
    """What pathology calls a lesion."""

    TUBULAR = "tubular"
    TUBULOVILLOUS = "tubulovillous"
    VILLOUS = "villous"
    SESSILE_SERRATED = "sessile_serrated"
    TRADITIONAL_SERRATED = "traditional_serrated"
    HYPERPLASTIC = "hyperplastic"
    CARCINOMA = "carcinoma"
    OTHER_CANCER = "other_cancer"
    NOT_NEOPLASTIC = "not_neoplastic"


class Dysplasia(StrEnum):
    """The grade of dysplasia."""

    NONE = "none"
    LOW = "low"
    HIGH = "high"


class Removal(StrEnum):
    """How a lesion was removed."""

    LEFT = "left"
    BIOPSY = "biopsy"
    EN_BLOC = "en_bloc"
    PIECEMEAL = "piecemeal"


class Looks(StrEnum):
    """What the examiner took a lesion for."""

    ADENOMA = "adenoma"
    SERRATED = "serrated"
    CANCER = "cancer"
    OTHER = "other"


ADENOMAS = frozenset({Tissue.TUBULAR, Tissue.TUBULOVILLOUS, Tissue.VILLOUS})
VILLOUS = frozenset({Tissue.TUBULOVILLOUS, Tissue.VILLOUS})
SERRATED = frozenset({Tissue.SESSILE_SERRATED, Tissue.TRADITIONAL_SERRATED, Tissue.HYPERPLASTIC})

ORDER: Sequence[str] = (
    "cancer", "other_cancer", "advanced_adenoma", "advanced_serrated", "non_advanced", "other", "nothing", "inconclusive",
)  # fmt: skip
"""Most serious first; "inconclusive" is no finding: it stands only where nothing else does."""

LOOKS_LIKE: Mapping[Looks, Tissue] = {
    Looks.ADENOMA: Tissue.TUBULAR,
    Looks.SERRATED: Tissue.SESSILE_SERRATED,
    Looks.CANCER: Tissue.CARCINOMA,
    Looks.OTHER: Tissue.NOT_NEOPLASTIC,
}
"""What a lesion without histology counts as until there is one."""


@dataclass(frozen=True, slots=True)
class Lesion:
    """One lesion: size in mm as measured, histology where there is any, and how it was removed.

    `tissue` is None while no histology is in; then `looks` counts. `clear_margins` is None while nobody said.
    """

    number: int
    size_mm: int
    segment: str
    looks: Looks
    removal: Removal
    pedunculated: bool = False
    retrieved: bool = True
    tissue: Tissue | None = None
    dysplasia: Dysplasia = Dysplasia.NONE
    clear_margins: bool | None = None

    @property
    def counts_as(self) -> Tissue:
        """Its histology, or what it looked like."""
        return self.tissue or LOOKS_LIKE[self.looks]

    @property
    def is_adenoma(self) -> bool:
        """Tubular, tubulovillous or villous."""
        return self.counts_as in ADENOMAS

    @property
    def is_serrated(self) -> bool:
        """Sessile or traditional serrated, or hyperplastic."""
        return self.counts_as in SERRATED

    @property
    def dysplastic(self) -> bool:
        """Whether it holds any dysplasia; a traditional serrated adenoma always does."""
        return self.dysplasia is not Dysplasia.NONE or self.counts_as is Tissue.TRADITIONAL_SERRATED

    @property
    def premalignant(self) -> bool:
        """Adenomas and serrated polyps, but for diminutive hyperplastic polyps of the rectum."""
        if self.counts_as is Tissue.HYPERPLASTIC:
            return not (self.size_mm <= DIMINUTIVE_MM and self.segment == "rectum")
        return self.is_adenoma or self.is_serrated

    @property
    def left_in_place(self) -> bool:
        """A premalignant lesion that is still there."""
        return self.premalignant and self.removal in {Removal.LEFT, Removal.BIOPSY}

    @property
    def awaits_histology(self) -> bool:
        """Removed or biopsied and retrieved, and pathology has not answered."""
        return self.removal is not Removal.LEFT and self.retrieved and self.tissue is None

    def advanced(self, *, villous_counts: bool) -> bool:
        """Whether it is an advanced adenoma or an advanced serrated lesion under the programme's definition."""
        if self.is_adenoma:
            villous = villous_counts and self.counts_as in VILLOUS
            return self.size_mm >= ADVANCED_MM or self.dysplasia is Dysplasia.HIGH or villous
        return self.is_serrated and (self.size_mm >= ADVANCED_MM or self.dysplastic)


def lesion_class(lesion: Lesion, *, villous_counts: bool) -> str:
    """The class of one lesion."""
    if lesion.counts_as is Tissue.CARCINOMA:
        return "cancer"
    if lesion.counts_as is Tissue.OTHER_CANCER:
        return "other_cancer"
    if lesion.advanced(villous_counts=villous_counts):
        return "advanced_adenoma" if lesion.is_adenoma else "advanced_serrated"
    return "non_advanced" if lesion.premalignant else "other"


def worst(classes: Iterable[str]) -> str:
    """The most serious of these; "inconclusive" when there is none."""
    return min(classes, key=ORDER.index, default="inconclusive")


@dataclass(frozen=True, slots=True)
class Classed:
    """The class of a person's examinations: what it rests on, and what is still open."""

    finding: str
    because: "StrOrPromise"
    lesion: int | None = None
    without_histology: bool = False
    provisional: bool = False


def classify(
    lesions: Sequence[Lesion], *, conclusive: bool, seen: str = "", villous_counts: bool = True
) -> Classed:
    """The most serious finding over all lesions and what the examiner wrote (`seen`).

    `conclusive` says whether a complete and adequately prepared examination was made; without one, a person without a
    lesion is "inconclusive", never "no abnormality" (H21). Once there are lesions the examiner's word counts only where
    it names another disease.
    """
    classes = [(lesion_class(one, villous_counts=villous_counts), one) for one in lesions]
    if not classes:
        if seen and seen not in {"nothing", "inconclusive"}:
            return Classed(seen, _("as the report says; no lesion was entered"), without_histology=True)
        if conclusive:
            return Classed("nothing", _("complete, well prepared, and no lesion was found"))
        return Classed("inconclusive", _("incomplete or badly prepared, and nothing was found so far"))
    finding = worst([name for name, _one in classes] + (["other"] if seen == "other" else []))
    leading = next((one for name, one in classes if name == finding), None)
    waiting = any(one.awaits_histology for one in lesions)
    return Classed(
        finding,
        reason_of(leading, villous_counts=villous_counts) if leading else _("as the report says"),
        lesion=leading.number if leading else None,
        without_histology=bool(leading and leading.tissue is None),
        provisional=waiting,
    )


def reason_of(lesion: Lesion, *, villous_counts: bool) -> "StrOrPromise":
    """Why a lesion is in its class, in words: every feature that makes it advanced, the worst first, and unclear margins."""
    facts = {"n": lesion.number, "what": TISSUE_WORDS[lesion.counts_as], "mm": lesion.size_mm}
    if lesion.counts_as in {Tissue.CARCINOMA, Tissue.OTHER_CANCER}:
        words = _("lesion %(n)s: %(what)s") % facts
    elif lesion.advanced(villous_counts=villous_counts):
        words = _("lesion %(n)s: %(what)s of %(mm)s mm") % facts
    else:
        words = _("lesion %(n)s: %(what)s of %(mm)s mm, the most serious") % facts
    return ", ".join(
        str(one) for one in [words, *advanced_by(lesion, villous_counts=villous_counts), *margins_of(lesion)]
    )


def advanced_by(lesion: Lesion, *, villous_counts: bool) -> list["StrOrPromise"]:
    """What makes a lesion advanced, the worst first; empty when it is not."""
    if not lesion.advanced(villous_counts=villous_counts):
        return []
    found: list[StrOrPromise] = []
    if lesion.dysplasia is Dysplasia.HIGH:
        found.append(_("with high-grade dysplasia"))
    elif lesion.is_serrated and lesion.dysplastic:
        found.append(_("with dysplasia"))
    if lesion.size_mm >= ADVANCED_MM:
        found.append(_("which is 10 mm or more") if not found else _("10 mm or more"))
    if villous_counts and lesion.counts_as in VILLOUS:
        found.append(_("with a villous part"))
    return found


def margins_of(lesion: Lesion) -> list["StrOrPromise"]:
    """Margins that are not clear are always said; nothing is said of clear ones or where nobody knows."""
    return [_("margins not clear")] if lesion.clear_margins is False else []


def lesions_words(lesions: Iterable[Lesion], *, villous_counts: bool) -> str:
    """What pathology says of every lesion, the most serious first: tissue, size, grade of dysplasia and margins."""
    ordered = sorted(
        lesions,
        key=lambda one: (
            ORDER.index(lesion_class(one, villous_counts=villous_counts)),
            -one.size_mm,
            one.number,
        ),
    )
    return " ".join(_lesion_words(one) for one in ordered)


def _lesion_words(lesion: Lesion) -> str:
    facts = {"n": lesion.number, "mm": lesion.size_mm}
    if lesion.tissue is None:
        return str(_("Lesion %(n)s: %(mm)s mm, no histology.") % facts)
    parts: list[StrOrPromise] = [
        _("Lesion %(n)s: %(what)s, %(mm)s mm") % (facts | {"what": TISSUE_WORDS[lesion.tissue]})
    ]
    if lesion.premalignant or lesion.dysplasia is not Dysplasia.NONE:
        parts.append(DYSPLASIA_WORDS[lesion.dysplasia])
    parts += [_("margins clear")] if lesion.clear_margins else margins_of(lesion)
    return ", ".join(str(one) for one in parts) + "."


DYSPLASIA_WORDS: Mapping[Dysplasia, "StrOrPromise"] = {
    Dysplasia.HIGH: _("high-grade dysplasia"),
    Dysplasia.LOW: _("low-grade dysplasia"),
    Dysplasia.NONE: _("no dysplasia"),
}
TISSUE_WORDS: Mapping[Tissue, "StrOrPromise"] = {
    Tissue.TUBULAR: _("tubular adenoma"),
    Tissue.TUBULOVILLOUS: _("tubulovillous adenoma"),
    Tissue.VILLOUS: _("villous adenoma"),
    Tissue.SESSILE_SERRATED: _("sessile serrated lesion"),
    Tissue.TRADITIONAL_SERRATED: _("traditional serrated adenoma"),
    Tissue.HYPERPLASTIC: _("hyperplastic polyp"),
    Tissue.CARCINOMA: _("adenocarcinoma"),
    Tissue.OTHER_CANCER: _("cancer of other origin"),
    Tissue.NOT_NEOPLASTIC: _("no neoplasia"),
}


def boston_adequate(right: int, transverse: int, left: int) -> bool:
    """Whether the Boston scale calls the preparation adequate: 2 or 3 in every segment; the total alone never does.

    Source: Lai et al., Gastrointest Endosc 2009;69:620, and standards of the scale's adequacy by segment. ValueError outside 0–3.
    """
    scores = (right, transverse, left)
    if not all(0 <= one <= 3 for one in scores):
        raise ValueError("Boston scores run from 0 to 3 in each segment.")
    return min(scores) >= 2


def lesion_problems(lesion: Lesion, *, size_confirmed: bool = False) -> list["StrOrPromise"]:
    """Why a lesion cannot be taken as it stands; empty when it can."""
    problems: list[StrOrPromise] = []
    if not 1 <= lesion.size_mm <= LARGEST_MM:
        problems.append(_("Lesion %(n)s: give its size in whole mm, 1 to 200.") % {"n": lesion.number})
    elif lesion.size_mm > ASK_ABOVE_MM and not size_confirmed:
        problems.append(
            _("Lesion %(n)s: %(mm)s mm is unusually large. Confirm the size, or correct it.")
            % {"n": lesion.number, "mm": lesion.size_mm}
        )
    return problems


def pots_problems(pots: int, lesions: Sequence[tuple[Lesion, int | None]]) -> list["StrOrPromise"]:
    """Whether the pots sent to pathology fit the lesions (H23); each lesion comes with the number of its pot, or None.

    Every lesion that was removed and retrieved lies in one of the pots 1 to `pots`, every pot holds a lesion, and a lesion
    left in place or lost has none. Several lesions may share a pot.
    """
    problems: list[StrOrPromise] = []
    for lesion, pot in lesions:
        has_tissue = lesion.removal is not Removal.LEFT and lesion.retrieved
        if has_tissue and pot is None:
            problems.append(_("Lesion %(n)s was retrieved: say in which pot it is.") % {"n": lesion.number})
        elif not has_tissue and pot is not None:
            problems.append(
                _("Lesion %(n)s was not retrieved, so it has no pot. Correct one of the two.")
                % {"n": lesion.number}
            )
        elif pot is not None and not 1 <= pot <= pots:
            problems.append(
                _("Lesion %(n)s lies in pot %(pot)s, but %(pots)s pots were sent.")
                % {"n": lesion.number, "pot": pot, "pots": pots}
            )
    unused = sorted(set(range(1, pots + 1)) - {pot for _lesion, pot in lesions}) if lesions else []
    if unused:
        problems.append(
            _("No lesion is named for pot %(pots)s. Count pots and lesions again before it goes on.")
            % {"pots": ", ".join(str(pot) for pot in unused)}
        )
    return problems


def with_doubtful_pots(lesions: Sequence[Lesion], doubtful: frozenset[int]) -> list[Lesion]:
    """The lesions, those whose pots may be swapped each with whatever histology among these is worst for it.

    `doubtful` holds the numbers of the lesions concerned. Until pathologist and examiner have settled whose tissue is whose,
    every one of them counts as badly as it can.
    """
    reports = [one for one in lesions if one.number in doubtful and one.tissue is not None]

    def badly(lesion: Lesion) -> Lesion:
        if lesion.number not in doubtful or not reports:
            return lesion
        could_be = [
            replace(lesion, tissue=one.tissue, dysplasia=one.dysplasia, clear_margins=one.clear_margins)
            for one in reports
        ]
        return min(could_be, key=lambda one: ORDER.index(lesion_class(one, villous_counts=True)))

    return [badly(one) for one in lesions]
