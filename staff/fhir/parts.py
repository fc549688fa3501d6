"""The small parts that FHIR R4 resources are made of; pure: plain values in, plain dicts out.

Source: HL7 FHIR R4 (4.0.1), data types; UCUM at http://unitsofmeasure.org; LOINC codes as in standards 8.1.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

LOINC, UCUM, SNOMED = "http://loinc.org", "http://unitsofmeasure.org", "http://snomed.info/sct"
TERMS = "http://terminology.hl7.org/CodeSystem/"
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
Json = dict[str, Any]


@dataclass(frozen=True)
class Frame:
    """Where resources are built: the base of our identifier systems, and the programme's time zone."""

    systems: str
    zone: ZoneInfo

    def system(self, name: str) -> str:
        """The URI of one of our identifier systems, such as `person/register`."""
        return f"{self.systems.rstrip('/')}/{name}"

    def instant(self, moment: datetime | None) -> str | None:
        """A moment as FHIR writes instants, in the programme's zone."""
        return moment.astimezone(self.zone).isoformat(timespec="seconds") if moment else None


def filled(value: Any) -> Any:
    """The value without what is empty, however deep: FHIR allows no null, empty text, list or object."""
    if isinstance(value, Mapping):
        kept = {key: filled(one) for key, one in value.items()}
        return {key: one for key, one in kept.items() if one not in (None, "", [], {})}
    if isinstance(value, list | tuple):
        return [one for one in (filled(one) for one in value) if one not in (None, "", [], {})]
    return value


def day(value: date | None) -> str | None:
    """A calendar day."""
    return value.isoformat() if value else None


def period(start: date, end: date, name: str) -> Json:
    """`nameDateTime` where both days are one, else `namePeriod`."""
    if start == end:
        return {f"{name}DateTime": day(start)}
    return {f"{name}Period": {"start": day(start), "end": day(end)}}


def identifier(system: str, value: object, **more: Any) -> Json:
    """A business identifier."""
    return {"system": system, "value": str(value), **more}


def coding(system: str, code: str, display: object = "") -> Json:
    """One code of a code system."""
    return {"system": system, "code": code, "display": str(display)}


def concept(*codes: Json, text: object = "") -> Json:
    """A concept with its codes, if any, and its words."""
    return {"coding": list(codes), "text": str(text)}


def reference(kind: str, pk: object) -> Json:
    """A reference to a resource that is here."""
    return {"reference": f"{kind}/{pk}", "type": kind}


def named(kind: str, system: str, value: object, display: object = "") -> Json:
    """A reference by identifier to something that is no resource here."""
    return {"type": kind, "identifier": identifier(system, value), "display": str(display)}


def number(value: Decimal) -> int | float:
    """A decimal as a JSON number of the same value."""
    text = format(value, "f")
    return float(text) if "." in text else int(text)


def quantity(value: Decimal, code: str, comparator: str = "") -> Json:
    """A quantity in a UCUM unit; `comparator` is `<`, `<=`, `>=` or `>`."""
    return {"value": number(value), "comparator": comparator, "unit": code, "system": UCUM, "code": code}


def meta(frame: Frame, *, version: object, updated: datetime | None) -> Json:
    """Version and moment of the last change."""
    return {"versionId": str(version), "lastUpdated": frame.instant(updated)}


def http_date(moment: datetime) -> str:
    """A moment as HTTP headers write it."""
    return moment.astimezone(UTC).strftime("%a, %d %b %Y %H:%M:%S GMT")


def bundle(entries: Sequence[Json], *, base: str, self_url: str, next_url: str = "") -> Json:
    """A page of what a search found: links, and each resource under its full address."""
    links = [{"relation": "self", "url": self_url}]
    if next_url:
        links.append({"relation": "next", "url": next_url})
    found: Json = filled({
        "resourceType": "Bundle", "type": "searchset", "link": links,
        "entry": [
            {"fullUrl": f"{base}/{one['resourceType']}/{one['id']}", "resource": one, "search": {"mode": "match"}}
            for one in entries
        ],
    })  # fmt: skip
    return found
