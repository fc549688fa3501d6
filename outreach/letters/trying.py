"""An invented person's words for every field: to look at a text before anybody gets it."""

from typing import Any

from outreach.catalogue import KINDS
from outreach.letters.texts import fields_of
from outreach.letters.wording import programme_words

TRIAL: dict[str, Any] = {
    "address": ["17 Mill Lane", "Quillport", "0Q-417"], "written_on": "17 June 2026", "person_number": "400118270012",
    "name": "Marra Tovelin", "recipient_name": "Marra Tovelin",
    "serial": "TK900000017R", "sent_on": "20 May 2026", "what_went_wrong": "the tube had leaked on the way to us",
    "came_back": True, "question": "On which day did you take the sample?", "call_by": "22 June 2026",
    "value": "64.2 µg/g", "cutoff": "20 µg/g", "collected_on": "12 June 2026", "next_invitation": "June 2028",
    "practice_name": "Quillport practice 2", "person_name": "Marra Tovelin", "birth_date": "9 March 1964",
    "at_or_above": True, "authorised_on": "17 June 2026", "examined_on": "2 July 2026",
    "finding": "The examination found small growths called polyps. They are common, and they are not cancer.",
    "step": "surveillance", "next_on": "2 July 2029",
    "words": "Another colonoscopy in three years. We write to you before then.", "finding_name": "advanced adenoma",
    "histology": "lesion 1: tubular adenoma of 12 mm, which is 10 mm or more", "signed_by": "Dr Emrik Dauntel",
    "kit_named": "TK900000017R", "told_before": "below", "told_on": "10 June 2026", "attempt": "1",
    "talk_by": "22 June 2026", "exam_day": "Thursday 2 July 2026", "exam_time": "9:30",
    "exam_place": "Quillport Colonoscopy Unit", "medicine_plan": "Go on with everything. Bring the list.",
    "preparation": "with macrogol (PEG)", "until": "1 September 2026", "for_good": False, "asked_on": "10 June 2026",
    "reply": "We hold your name, address and the results of two tests. A copy is enclosed.",
    "handed_to": "Northern Region Programme",
}  # fmt: skip


def trial_words(kind: str, language: str) -> dict[str, Any]:
    """The context of a letter of this kind about the invented person."""
    own = {"language": language, **programme_words(language)}
    found = {name: value for name, value in (TRIAL | own).items() if name in fields_of(kind)}
    if KINDS[kind].recipient != "person":
        found["recipient_name"] = TRIAL["practice_name"]
    return found
