"""Conditional rules of FHIR R4 (4.0.1) that the model library does not hold, written by hand, each with the name it has there."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from fhir.resources.R4B import get_fhir_model_class

STATUS = {
    # Required bindings of R4: observation-status, diagnostic-report-status, specimen-status, request-status,
    # appointmentstatus, event-status (Procedure and Communication).
    "Observation": {"registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown"},
    "DiagnosticReport": {
        "registered", "partial", "preliminary", "final", "amended", "corrected", "appended", "cancelled", "entered-in-error",
        "unknown",
    },
    "Specimen": {"available", "unavailable", "unsatisfactory", "entered-in-error"},
    "ServiceRequest": {"draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"},
    "Appointment": {
        "proposed", "pending", "booked", "arrived", "fulfilled", "cancelled", "noshow", "entered-in-error", "checked-in", "waitlist",
    },
    "Procedure": {
        "preparation", "in-progress", "not-done", "on-hold", "stopped", "completed", "entered-in-error", "unknown",
    },
    "Communication": {
        "preparation", "in-progress", "not-done", "on-hold", "stopped", "completed", "entered-in-error", "unknown",
    },
}  # fmt: skip
PROPERTY = {"27396-1": {"ug/g"}, "58453-2": {"ng/mL", "ug/L"}}
"""LOINC code → the UCUM units of its property: mass/mass and mass/volume (standards 8.1)."""
INTERPRETATIONS = {"POS", "NEG", "IND"}


def nodes(value: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every object in a resource with its path."""
    if isinstance(value, dict):
        yield path, value
        for key, one in value.items():
            yield from nodes(one, f"{path}.{key}")
    if isinstance(value, list):
        for one in value:
            yield from nodes(one, path)


def broken(resource: dict[str, Any]) -> list[str]:
    """The rules this resource breaks: those of the model library (it raises) and those below."""
    kind = resource["resourceType"]
    get_fhir_model_class(kind).model_validate(resource)
    found = [f"{kind}: {rule}" for rule in _everywhere(resource)]
    found += [f"{kind}: {rule}" for rule in RULES.get(kind, lambda _one: [])(resource)]
    if kind in STATUS and resource["status"] not in STATUS[kind]:
        found.append(f"{kind}: status {resource['status']}")
    return found


def _everywhere(resource: dict[str, Any]) -> Iterator[str]:
    for path, node in nodes(resource):
        if not node or any(one in (None, "", [], {}) for one in node.values()):
            yield f"ele-1 at {path}: something empty"
        if {"value", "unit", "code"} <= set(node) and "system" not in node:
            yield f"qty-3 at {path}: a unit code without its system"
        if node.get("comparator") not in (None, "<", "<=", ">=", ">"):
            yield f"quantity-comparator at {path}"
        if {"start", "end"} <= set(node) and datetime.fromisoformat(node["start"]) > datetime.fromisoformat(
            node["end"]
        ):
            yield f"per-1 at {path}"
        if path.endswith(("Date", "Reference")) and node.get("reference", "/").count("/") != 1:
            yield f"ref at {path}"
        if path.endswith("contained") and ("contained" in node or "lastUpdated" in node.get("meta", {})):
            yield f"dom-2 or dom-4 at {path}"


def _observation(one: dict[str, Any]) -> Iterator[str]:
    if "valueQuantity" in one and "dataAbsentReason" in one:
        yield "obs-6: a value and a reason why there is none"
    if "valueQuantity" not in one and "dataAbsentReason" not in one:
        yield "neither a value nor a reason why there is none"
    codes = {coding["code"] for coding in one["code"]["coding"] if coding["system"] == "http://loinc.org"}
    for quantity in [
        one.get("valueQuantity", {}),
        *(r.get("high", {}) for r in one.get("referenceRange", ())),
    ]:
        if quantity and not all(quantity["code"] in PROPERTY[code] for code in codes):
            yield f"{codes} does not measure in {quantity['code']}"
    yield from _ranges(one)
    for said in one.get("interpretation", ()):
        if {coding["code"] for coding in said["coding"]} - INTERPRETATIONS:
            yield "interpretation"
    if one["status"] == "entered-in-error" and "valueQuantity" in one:
        yield "a withdrawn result still shows a value"


def _ranges(one: dict[str, Any]) -> Iterator[str]:
    for span in one.get("referenceRange", ()):
        if not {"low", "high", "text"} & set(span):
            yield "obs-3"
        if "comparator" in span.get("high", {}):
            yield "sqty-1: a comparator in a reference range"


def _appointment(one: dict[str, Any]) -> Iterator[str]:
    for who in one["participant"]:
        if not {"actor", "type"} & set(who):
            yield "app-1"
    if ("start" in one) != ("end" in one):
        yield "app-2"
    if "start" not in one and one["status"] not in {"proposed", "cancelled", "waitlist"}:
        yield "app-3"
    if "cancelationReason" in one and one["status"] not in {"cancelled", "noshow"}:
        yield "app-4"


def _bundle(one: dict[str, Any]) -> Iterator[str]:
    urls = [entry["fullUrl"] for entry in one.get("entry", ())]
    if len(set(urls)) != len(urls):
        yield "bdl-7"
    for entry in one.get("entry", ()):
        inner = entry["resource"]
        if (
            not entry["fullUrl"].endswith(f"/{inner['resourceType']}/{inner['id']}")
            or "/_history/" in entry["fullUrl"]
        ):
            yield "bdl-8"
        yield from broken(inner)
    if one["type"] != "searchset" and any("search" in entry for entry in one.get("entry", ())):
        yield "bdl-2"


def _capability(one: dict[str, Any]) -> Iterator[str]:
    if not {"rest", "messaging", "document"} & set(one):
        yield "cpb-1"
    if one["kind"] == "instance" and "implementation" not in one:
        yield "cpb-15"
    for rest in one["rest"]:
        kinds = [resource["type"] for resource in rest["resource"]]
        if len(set(kinds)) != len(kinds):
            yield "cpb-9"
        for resource in rest["resource"]:
            names = [param["name"] for param in resource["searchParam"]]
            if len(set(names)) != len(names):
                yield "cpb-12"


RULES = {
    "Observation": lambda one: list(_observation(one)), "Appointment": lambda one: list(_appointment(one)),
    "Bundle": lambda one: list(_bundle(one)), "CapabilityStatement": lambda one: list(_capability(one)),
}  # fmt: skip
