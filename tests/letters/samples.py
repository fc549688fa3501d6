"""Contexts of invented people for trying every text, shortest and longest."""

from typing import Any

from outreach.catalogue import KINDS
from outreach.letters.contexts import checksum_of
from outreach.letters.phrases import FINDING_WORDS, QUESTION_WORDS, REPLACEMENT_WORDS
from outreach.letters.render import Sheet
from outreach.letters.texts import Text, chosen_from, texts_delivered, variants_wanted
from outreach.letters.trying import TRIAL

PLACE = "7-1-X"
LONGEST = "Annabellindra-Persefonique Quessenvarrowmere-Halvandrostrelinghamshire"
COMMON: dict[str, Any] = {
    "address": ["17 Mill Lane", "Quillport", "0Q-417"], "written_on": "17 June 2026",
    "programme": "Tarnuvek Region Bowel Screening Programme", "phone": "01632 960 400",
    "hours": "Monday to Friday, 8 am to 6 pm", "person_number": "400118270012",
}  # fmt: skip
WIDEST: dict[str, Any] = {
    "written_on": "30 September 2026",
    "person_number": "400118270012",
    "exam_day": "Wednesday 30 September 2026",
    "exam_time": "14:45",
    "exam_place": "Quillport Harbour Clinic, Department for Examinations of the Bowel, Second Floor, Eastern Wing, Long Harbour Promenade 117",
    "value": "> 200.0 µg/g",
    "sent_on": "30 September 2026",
    "call_by": "30 September 2026",
    "collected_on": "30 September 2026",
    "next_invitation": "September 2028",
    "next_on": "30 September 2029",
    "examined_on": "30 September 2026",
    "authorised_on": "30 September 2026",
    "birth_date": "30 September 1964",
    "practice_name": "Quessenvarrowmere practice 22",
    "serial": "TK999999999X",
    "kit_named": "TK999999999X",
    "until": "30 September 2027",
    "asked_on": "30 September 2026",
    "told_on": "30 September 2026",
    "talk_by": "30 September 2026",
    "preparation": "another, named in the plan",
    "what_went_wrong": max(map(str, REPLACEMENT_WORDS.values()), key=len),
    "question": max(map(str, QUESTION_WORDS.values()), key=len),
    "finding": max(map(str, FINDING_WORDS.values()), key=len),
    "finding_name": "non-advanced adenoma or serrated lesion",
    "person_name": "Annabellindra-Persefonique Quessenvarrowmere",
    "signed_by": "Dr Annabellindra Quessenvarrowmere",
    "words": "w " * 120,
    "reply": "w " * 120,
    "histology": "w " * 120,
    "medicine_plan": "w " * 120,
    "handed_to": "The programme of another region, " * 4,
}
"""The longest value each field may have within the same box."""
NARROWEST: dict[str, Any] = {
    "written_on": "1 May 2026",
    "person_number": "1",
    "exam_day": "Friday 1 May 2026",
    "exam_time": "9:00",
    "exam_place": "A",
    "value": "4 µg/g",
    "sent_on": "1 May 2026",
    "call_by": "1 May 2026",
    "collected_on": "",
    "next_invitation": "",
    "next_on": "",
    "examined_on": "",
    "authorised_on": "",
    "birth_date": "",
    "practice_name": "",
    "serial": "TK100000001A",
    "kit_named": "TK1",
    "until": "",
    "asked_on": "1 May 2026",
    "told_on": "",
    "talk_by": "1 May 2026",
    "preparation": "",
    "what_went_wrong": "it broke",
    "question": "Why?",
    "finding": "Nothing.",
    "finding_name": "none",
    "person_name": "A B",
    "signed_by": "A B",
    "words": "w",
    "reply": "w",
    "histology": "",
    "medicine_plan": "",
    "handed_to": "A",
}
CLASSES: dict[str, list[dict[str, Any]]] = {
    "replacement": [{"came_back": True}, {"came_back": False}],
    "doctor_copy": [{"at_or_above": True}, {"at_or_above": False}],
    "corrected_result": [{"at_or_above": True}, {"at_or_above": False}],
    "next_step": [{"step": step} for step in ("screening", "surveillance", "treatment", "no_further")],
    "next_step_doctor": [{"step": step} for step in ("screening", "surveillance", "treatment", "no_further")],
    "tried_to_reach": [{"attempt": "1"}, {"attempt": "2"}],
    "refusal": [{"attempt": "0"}, {"attempt": "3"}, {"attempt": "12"}],
    "waiting_for_health": [{"for_good": True}, {"for_good": False}],
    "waiting_doctor": [{"for_good": True}, {"for_good": False}],
}
"""The values that decide which sentences a letter has."""
BY_KIND: dict[str, dict[str, Any]] = {
    code: {name: TRIAL[name] for name in kind.fields} for code, kind in KINDS.items()
}


def a_sheet(
    kind: str,
    *,
    language: str = "en",
    form: str = "standard",
    name: str = "Marra Tovelin",
    token: str = PLACE,
    **other: Any,
) -> Sheet:
    """A frozen letter of a kind about an invented person."""
    who = {"name": name, "recipient_name": name} if KINDS[kind].recipient == "person" else {
        "recipient_name": "Quillport practice 2",
    }  # fmt: skip
    if "person_name" in KINDS[kind].fields:
        who["person_name"] = name
    context = COMMON | {"language": language} | BY_KIND[kind] | who | other
    chosen = chosen_from(texts_delivered_of(kind), language, form)
    return Sheet(
        token, chosen.version, context,
        checksum_of(text_version=chosen.version, words_digest=chosen.text.digest, context=context),
    )  # fmt: skip


def texts_delivered_of(kind: str) -> Text:
    """The newest text of a kind that comes with the software."""
    return [text for text in texts_delivered() if text.kind == kind][-1]


VARIANTS = [
    (kind, language, form)
    for kind in KINDS
    for language, form in [
        *variants_wanted(kind), *((language, "large") for language, form in variants_wanted(kind) if form == "standard"),
    ]
]  # fmt: skip
"""Every kind in every language and form it has, large print included."""
