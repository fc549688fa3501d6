"""Patient resources out of people of the register; pure. A hidden address never leaves, nor what would tell where it is."""

from screening.models import Person, PersonIdentifier
from staff.fhir.parts import ABSENT, Frame, Json, coding, concept, day, identifier, meta, named, reference

GENDERS = {"female": "female", "male": "male", "other": "other", "unknown": "unknown"}
MASKED: Json = {"extension": [{"url": ABSENT, "valueCode": "masked"}]}
"""Source: FHIR R4, extension data-absent-reason, code `masked`."""


def number_system(frame: Frame, scheme: str = PersonIdentifier.REGISTER) -> str:
    """The identifier system of a scheme of person numbers."""
    return frame.system(f"person/{scheme}")


def subject(person: Person, frame: Frame) -> Json:
    """Whose a thing is: the Patient, with the current register number for matching and no name."""
    current = [one for one in person.identifiers.all() if one.valid_to is None]
    found = reference("Patient", person.pk)
    if current:
        found["identifier"] = identifier(number_system(frame, current[0].scheme), current[0].value)
    return found


def patient(person: Person, frame: Frame) -> Json:
    """A person; a record merged into another names that one and nothing else."""
    head = {
        "resourceType": "Patient", "id": str(person.pk),
        "meta": meta(frame, version=getattr(person, "version", 1), updated=getattr(person, "updated", None)),
    }  # fmt: skip
    if person.merged_into_id is not None:
        other = reference("Patient", person.merged_into_id)
        return head | {"active": False, "link": [{"other": other, "type": "replaced-by"}]}
    return head | {
        "active": True,
        "identifier": [_number(one, frame) for one in person.identifiers.all()],
        "name": [{"use": "official", "family": person.family_name, "given": person.given_names.split()}],
        "telecom": [
            {"system": "phone", "value": person.phone} if person.phone else {},
            {"system": "email", "value": person.email} if person.email else {},
        ],
        "gender": GENDERS.get(person.sex, "unknown"),
        "birthDate": day(person.birth_date),
        "deceasedDateTime": day(person.deceased_on),
        "address": [_address(person)],
        "communication": [{"language": concept(coding("urn:ietf:bcp:47", person.language))}]
        if person.language
        else [],
        "generalPractitioner": [practice(person.practice.code, person.practice.name, frame)]
        if person.practice
        else [],
    }


def practice(code: str, name: str, frame: Frame) -> Json:
    """A practice, by its code."""
    return named("Organization", frame.system("practice"), code, name)


def _number(one: PersonIdentifier, frame: Frame) -> Json:
    span = {"start": day(one.valid_from), "end": day(one.valid_to)}
    use = "official" if one.valid_to is None else "old"
    return identifier(number_system(frame, one.scheme), one.value, use=use, period=span)


def _address(person: Person) -> Json:
    if person.hidden_address:
        return MASKED
    if not person.address_lines:
        return {}
    lines = [one for one in (person.address_1, person.address_2) if one]
    return {"use": "home", "line": lines, "city": person.locality, "postalCode": person.postcode}
