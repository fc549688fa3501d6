"""What an assessment asks, what it still lacks, and what forbids booking, each in words and by its hazard; pure rules.

Sources: section 2.13 and hazards H41 to H43 of the job for questions, outcomes and validity (common practice, no source);
ESGE guideline on bowel preparation, Endoscopy 2013; 45: 142-150, for kidney disease: a preparation with macrogol (PEG)
is the only one it recommends in renal failure. Local protocol governs.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

VALID_DAYS = 56
"""Eight weeks, counted from the day it was made; its last day still counts. Source: section 2.13 of the job."""
BOOKABLE = ("fit", "conditions", "alternative")
"""Outcomes on which something may be booked."""
MACROGOL, MAGNESIUM, PHOSPHATE, OTHER = "macrogol", "magnesium", "phosphate", "other"


@dataclass(frozen=True, slots=True)
class Question:
    """One question with its label, a prompt beside it, the words for an answer that matters, and its hazard."""

    label: "StrOrPromise"
    matters: "StrOrPromise"
    prompt: "StrOrPromise" = ""
    hazard: str = ""
    expected: bool = False
    """The answer that needs nothing further."""


QUESTIONS: Mapping[str, Question] = {
    "anticoagulants": Question(
        _("Takes blood thinners?"), _("Takes blood thinners"),
        _("Ask for the name. They never cancel the examination; the plan is made with whoever prescribes them."), "H41",
    ),
    "antiplatelets": Question(
        _("Takes medicine against clotting platelets?"), _("Takes medicine against clotting platelets"),
        _("For example after a heart attack, a stent or a stroke."), "H41",
    ),
    "diabetes": Question(_("Has diabetes?"), _("Has diabetes"), _("An early time of day is easier when fasting."), "H41"),
    "insulin": Question(
        _("Uses insulin?"), _("Uses insulin"), _("The doses on the day before and on the day need a plan."), "H41"
    ),
    "kidney_disease": Question(
        _("Has kidney disease?"), _("Has kidney disease"), _("It decides which bowel preparation is safe."), "H42"
    ),
    "iron": Question(
        _("Takes iron?"), _("Takes iron"), _("It darkens the bowel: local protocol says when to stop it.")
    ),
    "allergies": Question(
        _("Has allergies?"), _("Has allergies"), _("Medicines, latex, contrast: write which in the plan.")
    ),
    "pacemaker": Question(
        _("Has a pacemaker or another implant with a battery?"), _("Has a pacemaker or another implant with a battery"),
        _("The unit must know before anything is removed with current."),
    ),
    "sleep_apnoea": Question(
        _("Has sleep apnoea?"), _("Has sleep apnoea"), _("It matters for sedation; the mask is brought along.")
    ),
    "pregnancy": Question(
        _("Can the person be pregnant?"), _("May be pregnant"), _("Then the examination waits, or a doctor decides.")
    ),
    "mobility": Question(
        _("Needs help with moving, seeing or hearing?"), _("Needs help with moving, seeing or hearing"),
        _("Also at home on the day of the preparation."),
    ),
    "consent_doubt": Question(
        _("Is it in doubt whether the person can decide for themself?"), _("It is in doubt whether the person can decide"),
        _("Then a doctor decides how to go on; nobody else may consent by custom."),
    ),
    "interpreter": Question(
        _("Needs an interpreter?"), _("Needs an interpreter"), _("Not a relative. Nothing is booked before somebody is found."), "H43",
    ),
    "escort": Question(
        _("Has somebody to go home with?"), _("Has no escort home"), _("After sedation nobody goes home alone."), "", True,
    ),
}  # fmt: skip
"""Key of an answer → its question, in the order in which they are asked."""
GROUPS: tuple[tuple["StrOrPromise", tuple[str, ...]], ...] = (
    (_("Medicines"), ("anticoagulants", "antiplatelets", "insulin", "iron", "allergies")),
    (_("Health"), ("diabetes", "kidney_disease", "pacemaker", "sleep_apnoea", "pregnancy")),
    (_("On the day"), ("mobility", "consent_doubt", "interpreter", "escort")),
)
PLANNED: Mapping[str, "StrOrPromise"] = {
    "anticoagulants": _("Write the plan for the blood thinners."),
    "antiplatelets": _("Write the plan for the medicine against clotting platelets."),
    "insulin": _("Write the plan for the insulin."),
}
"""Medicines that need a plan of their own before anything is booked (H41)."""
TOLD: Mapping[str, "StrOrPromise"] = {
    "allergies": _("Write which allergies."),
    "pacemaker": _("Write which implant, and that the unit was told."),
    "sleep_apnoea": _("Write what the sleep apnoea means for the sedation."),
    "mobility": _("Write what help is needed, and who gives it."),
    "escort": _("Write how the person gets home without an escort."),
}
"""What the plan must say something about."""


@dataclass(frozen=True)
class AssessmentFacts:
    """An assessment as the rules read it; an unanswered question is None or missing."""

    outcome: str
    answers: Mapping[str, bool | None]
    plan: str = ""
    medicine_plan: str = ""
    interpreted_by: str = ""
    preparation: str = ""
    until: date | None = None
    made_on: date | None = None


@dataclass(frozen=True)
class Block:
    """One thing that is missing: its code, its hazard, the field it belongs to and what to do about it in words."""

    code: str
    sentence: "StrOrPromise"
    hazard: str = ""
    field: str = ""
    brief: bool = False
    """Whether a brief re-check is enough to settle it."""


def valid_until(made_on: date) -> date:
    """The last day on which an assessment may be booked on."""
    return made_on + timedelta(days=VALID_DAYS)


def record_gaps(facts: AssessmentFacts, *, today: date) -> list[Block]:
    """What an assessment lacks before it can be recorded with its outcome; empty when it can.

    An outcome on which something may be booked needs every answer and every plan but the interpreter's name, which may
    come later. Other outcomes need words: whoever decides next reads them.
    """
    if facts.outcome in BOOKABLE:
        return [*_unanswered(facts), *_plans(facts), *_contradictions(facts)]
    gaps = []
    if facts.outcome == "unfit_until" and (facts.until is None or facts.until <= today):
        gaps.append(
            Block("until_missing", _("Write the day on which to look again, after today."), field="until")
        )
    if facts.outcome in {"unfit_until", "unfit", "doctor", "declines"} and not facts.plan.strip():
        gaps.append(Block("words_missing", _("Write why, for whoever decides next."), field="plan"))
    return gaps


def booking_blocks(facts: AssessmentFacts | None, *, today: date) -> list[Block]:
    """Why nothing may be booked on the latest assessment today, in words; empty when it may (H41, H42, H43)."""
    if facts is None:
        return [Block("assessment_missing", _("Nothing can be booked before the assessment is recorded. Assess the person first."))]  # fmt: skip
    if facts.outcome not in BOOKABLE:
        return [Block("not_bookable", _("The latest assessment does not say that an examination can be booked. Assess anew, or let a doctor decide."))]  # fmt: skip
    blocks = [*_unanswered(facts), *_plans(facts), *_contradictions(facts)]
    if facts.answers.get("interpreter") and not facts.interpreted_by.strip():
        words = _("An interpreter is needed and none is arranged yet. Arrange one, and write who interprets.")
        blocks.append(Block("interpreter_missing", words, "H43", "interpreted_by", brief=True))
    if facts.made_on is not None and today > valid_until(facts.made_on):
        words = _(
            "The assessment of %(day)s is older than 8 weeks. Ask briefly whether anything has changed."
        )
        made = date_format(facts.made_on, "j M Y")
        blocks.append(Block("expired", words % {"day": made}, "", "", brief=True))
    return blocks


def _unanswered(facts: AssessmentFacts) -> list[Block]:
    return [
        Block("unanswered", _("Not asked yet: %(question)s") % {"question": one.label}, one.hazard, key)
        for key, one in QUESTIONS.items()
        if facts.answers.get(key) is None
    ]


def _plans(facts: AssessmentFacts) -> list[Block]:
    """Plans that the answers call for."""
    blocks = []
    if not facts.medicine_plan.strip():
        blocks += [
            Block("plan_missing", words, "H41", "medicine_plan")
            for key, words in PLANNED.items()
            if facts.answers.get(key)
        ]
    if not facts.plan.strip():
        blocks += [
            Block("plan_missing", words, "", "plan")
            for key, words in TOLD.items()
            if facts.answers.get(key) is (not QUESTIONS[key].expected)
        ]
        if facts.outcome == "conditions":
            blocks.append(Block("plan_missing", _("Write the conditions."), "", "plan"))
    return blocks + _preparation(facts)


def _preparation(facts: AssessmentFacts) -> list[Block]:
    """Which bowel preparation, and whether the kidneys allow it (H42)."""
    if not facts.preparation:
        needed = facts.outcome != "alternative" or facts.answers.get("kidney_disease")
        words = _("Choose the bowel preparation.")
        return [Block("preparation_missing", words, "H42", "preparation")] if needed else []
    if facts.answers.get("kidney_disease") and facts.preparation != MACROGOL:
        words = _(
            "With kidney disease only a preparation with macrogol is recommended. Choose it, or let a doctor decide."
        )
        return [Block("preparation_unsafe", words, "H42", "preparation")]
    if facts.preparation == OTHER and not facts.plan.strip():
        return [Block("preparation_unnamed", _("Write which preparation."), "H42", "plan")]
    return []


def _contradictions(facts: AssessmentFacts) -> list[Block]:
    """Answers with which nobody is fit, or which cannot both be true."""
    blocks = []
    if facts.answers.get("insulin") and facts.answers.get("diabetes") is False:
        words = _("Insulin without diabetes cannot be: correct one of the two answers.")
        blocks.append(Block("contradiction", words, "H41", "insulin"))
    if facts.answers.get("pregnancy"):
        words = _("A pregnancy is possible. Have it excluded first, postpone, or let a doctor decide.")
        blocks.append(Block("doctor_decides", words, "", "outcome"))
    if facts.answers.get("consent_doubt"):
        words = _("Whether the person can consent is in doubt. Let a doctor decide.")
        blocks.append(Block("doctor_decides", words, "", "outcome"))
    return blocks
