"""The Communication that goes to a doctor's system beside a letter: the letter's own words, and the result it speaks of; pure.

It can be read without asking us: the patient and the result are contained, everybody else is named by identifier. An address is
never in it. Source: HL7 FHIR R4 (4.0.1), Communication; rules dom-2 to dom-5 on contained resources.
"""

from datetime import datetime

from outreach.fhir.communication import category
from outreach.kinds import Kind
from outreach.models import Letter
from results.fhir.lab import observation
from results.models import Result
from screening.fhir.patient import GENDERS, number_system, practice
from screening.models import Person
from staff.fhir.parts import TERMS, Frame, Json, coding, concept, day, filled, identifier, named

ELECTRONIC = concept(coding(f"{TERMS}v3-ParticipationMode", "ELECTRONIC", "electronic data"))
SYSTEM = "notice"


def notice(
    letter: Letter, kind: Kind, words: str, frame: Frame, *, reference: str, at: datetime, programme: str
) -> Json:
    """The whole notice. `words` is what the letter says; at or above is urgent, everything else routine."""
    result, inside = letter.result, [_patient(letter.person, frame)]
    if result is not None:
        inside.append(_result(result, frame))
    high = result is not None and result.side == "at_or_above" and kind.code == "doctor_copy"
    code, name = (letter.practice.code, letter.practice.name) if letter.practice else ("", "")
    found: Json = filled({
        "resourceType": "Communication", "contained": inside,
        "identifier": [identifier(frame.system(SYSTEM), reference)], "status": "completed",
        "category": [category("notification")], "priority": "urgent" if high else "routine", "medium": [ELECTRONIC],
        "subject": {"reference": "#patient"},
        "topic": concept(coding(frame.system("letter-kind"), kind.code, kind.name), text=kind.name),
        "about": [{"reference": "#result"}] if result is not None else [],
        "sent": frame.instant(at), "recipient": [practice(code, name, frame)],
        "sender": named("Organization", frame.system("programme"), programme, programme),
        "payload": [{"contentString": words}],
    })  # fmt: skip
    return found


def _patient(person: Person, frame: Frame) -> Json:
    numbers = [one for one in person.identifiers.all() if one.valid_to is None]
    return {
        "resourceType": "Patient", "id": "patient",
        "identifier": [identifier(number_system(frame, one.scheme), one.value) for one in numbers],
        "name": [{"use": "official", "family": person.family_name, "given": person.given_names.split()}],
        "gender": GENDERS.get(person.sex, "unknown"), "birthDate": day(person.birth_date),
    }  # fmt: skip


def _result(result: Result, frame: Frame) -> Json:
    whole = observation(result, frame)
    serial = identifier(frame.system("kit"), result.sample.serial)
    return {key: one for key, one in whole.items() if key != "meta"} | {
        "id": "result", "subject": {"reference": "#patient"}, "specimen": {"type": "Specimen", "identifier": serial},
    }  # fmt: skip
