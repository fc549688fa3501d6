"""Contexts of invented people for trying every text, shortest and longest."""

from typing import Any

from outreach.letters.contexts import checksum_of
from outreach.letters.phrases import FINDING_WORDS
from outreach.letters.render import Sheet
from outreach.letters.texts import text_in_use, words_digest

PLACE = "7-1-X"
LONGEST = "Annabellindra-Persefonique Quessenvarrowmere-Halvandrostrelinghamshire"
COMMON: dict[str, Any] = {
    "address": ["17 Mill Lane", "Quillport", "0Q-417"], "written_on": "17 June 2026",
    "programme": "Tarnuvek Region Bowel Screening Programme", "phone": "01632 960 400",
    "hours": "Monday to Friday, 8 am to 6 pm", "person_number": "400118270012",
}  # fmt: skip
BY_KIND: dict[str, dict[str, Any]] = {
    "invitation": {"serial": "TK900000017R"},
    "reminder": {"sent_on": "20 May 2026"},
    "replacement": {"serial": "TK900000018P", "what_went_wrong": "the tube had leaked on the way to us", "came_back": True},
    "sample_question": {"question": "On which day did you take the sample?", "call_by": "22 June 2026"},
    "result_below": {
        "value": "< 4.0 µg/g", "cutoff": "20 µg/g", "collected_on": "12 June 2026", "next_invitation": "June 2028",
    },
    "result_more_tests": {
        "value": "64.2 µg/g", "cutoff": "20 µg/g", "call_by": "24 June 2026",
    },
    "doctor_copy": {
        "practice_name": "Quillport practice 2", "birth_date": "9 March 1964", "value": "64.2 µg/g",
        "cutoff": "20 µg/g", "at_or_above": True, "collected_on": "12 June 2026", "authorised_on": "17 June 2026",
        "next_invitation": "",
    },
    "next_step": {
        "examined_on": "2 July 2026", "finding": str(FINDING_WORDS["advanced_adenoma"]), "step": "surveillance",
        "next_on": "2 July 2029", "words": "Another colonoscopy in three years. We write to you before then.",
    },
    "next_step_doctor": {
        "practice_name": "Quillport practice 2", "birth_date": "9 March 1964", "examined_on": "2 July 2026",
        "finding_name": "advanced adenoma", "histology": "lesion 1: tubular adenoma of 12 mm, which is 10 mm or more",
        "step": "surveillance", "next_on": "2 July 2029", "words": "Another colonoscopy in three years.",
        "signed_by": "Dr Emrik Dauntel",
    },
}  # fmt: skip


def a_sheet(
    kind: str, *, language: str = "en", name: str = "Marra Tovelin", token: str = PLACE, **other: Any
) -> Sheet:
    """A frozen letter of a kind about an invented person."""
    who = {"person_name": name, "recipient_name": "Quillport practice 2"} if kind.startswith(("doctor", "next_step_doctor")) else {
        "name": name, "recipient_name": name,
    }  # fmt: skip
    context = COMMON | {"language": language} | who | BY_KIND[kind] | other
    version = text_in_use(kind, language).version
    digest = words_digest(version)
    return Sheet(
        token, version, context, checksum_of(text_version=version, words_digest=digest, context=context)
    )
