"""The CapabilityStatement, made from the resource types that the parts declare; pure. Source: HL7 FHIR R4 (4.0.1)."""

from collections.abc import Iterable
from datetime import date

from staff.fhir.base import Resource
from staff.fhir.parts import TERMS, Json, coding, concept, day, filled

FHIR_VERSION = "4.0.1"
SPEC = "http://hl7.org/fhir"


def capability(resources: Iterable[Resource], *, url: str, software: str, on: date) -> Json:
    """What can be read and searched here, with which parameters, and how one is let in."""
    found: Json = filled({
        "resourceType": "CapabilityStatement", "id": "roundbook", "status": "active", "date": day(on), "kind": "instance",
        "fhirVersion": FHIR_VERSION, "format": ["application/fhir+json", "json"],
        "software": {"name": "Roundbook", "version": software},
        "implementation": {"description": "A bowel-screening registry, read only", "url": url},
        "rest": [{
            "mode": "server",
            "documentation": "Ask with `Authorization: Bearer …` and the token of your client. A search goes on by its `next` "
            "link. Unknown parameters are refused. Every record shown is written down in the access journal.",
            "security": {"service": [concept(coding(f"{TERMS}restful-security-service", "OAuth", "OAuth"),
                                             text="Bearer token made by the administrator")]},
            "resource": [_resource(one) for one in resources],
        }],
    })  # fmt: skip
    return found


def _resource(one: Resource) -> Json:
    told = [f"{name} needs one of {', '.join(needs)}." for name, needs in one.needs.items() if name]
    always = [f"A search needs one of {', '.join(needs)}." for name, needs in one.needs.items() if not name]
    return {
        "type": one.name, "documentation": " ".join([f"{one.words}.", *always, *told]),
        "interaction": [{"code": "read"}, {"code": "search-type"}], "versioning": "versioned", "readHistory": False,
        "conditionalRead": "not-match", "updateCreate": False,
        "searchParam": [
            {"name": name, "type": param.kind, "documentation": param.words} for name, param in sorted(one.known.items())
        ],
    }  # fmt: skip
