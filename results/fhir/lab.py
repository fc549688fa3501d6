"""Specimen, Observation and DiagnosticReport out of samples and their results; pure.

Sources: HL7 FHIR R4 (4.0.1); LOINC 27396-1 pairs mass/mass with `ug/g` (standards 8.1); interpretation POS and NEG of the
v3 code system ObservationInterpretation. A withdrawn result keeps its id and says `entered-in-error` without a value, so that
nobody reads one by mistake. One observation is one sample: an amendment is its next version.
"""

from datetime import date
from decimal import Decimal

from results.models import Result, Sample
from screening.fhir.patient import subject
from staff.fhir.parts import (
    LOINC,
    SNOMED,
    TERMS,
    Frame,
    Json,
    coding,
    concept,
    day,
    identifier,
    meta,
    named,
    period,
    quantity,
    reference,
)

CODE = coding(LOINC, "27396-1", "Hemoglobin [Mass/mass] in Stool")
TEST = concept(CODE, text="Faecal haemoglobin (quantitative immunochemical test)")
STOOL = concept(coding(SNOMED, "119339001", "Stool specimen"))
LABORATORY = concept(coding(f"{TERMS}observation-category", "laboratory", "Laboratory"))
LAB_SECTION = concept(coding(f"{TERMS}v2-0074", "LAB", "Laboratory"))
MEANS = {
    "at_or_above": ("POS", "Positive", "at or above the cutoff"), "below": ("NEG", "Negative", "below the cutoff"),
}  # fmt: skip
ERROR = concept(coding(f"{TERMS}data-absent-reason", "error", "Error"), text="This result was withdrawn")
NOT_USABLE = frozenset({"unsuitable", "not_measurable"})
WORDS = {
    "below": "Below the programme's cutoff. A result below it does not rule out bowel cancer: symptoms need a doctor.",
    "at_or_above": "At or above the programme's cutoff: an examination of the bowel is offered. This is not a diagnosis.",
}


def specimen(sample: Sample, frame: Frame) -> Json:
    """A sample: its serial, the day or days it may have been taken (R2), and whether it is fit to test."""
    back = sample.return_of
    usable = "unavailable" if sample.state == "recalled" else "available"
    reason = getattr(sample, "reason", "") or sample.state
    return {
        "resourceType": "Specimen", "id": str(sample.pk),
        "meta": meta(frame, version=sample.last_seq, updated=getattr(sample, "updated", None)),
        "identifier": [identifier(frame.system("kit"), sample.serial)],
        "accessionIdentifier": identifier(frame.system("kit"), sample.serial),
        "status": "unsatisfactory" if sample.state in NOT_USABLE else usable,
        "type": STOOL, "subject": subject(sample.person, frame), "receivedTime": day(back.arrived_on),
        "collection": period(sample.collected_earliest, back.collected_latest, "collected"),
        "condition": [concept(text=reason)] if sample.state in NOT_USABLE else [],
    }  # fmt: skip


def observation(result: Result, frame: Frame) -> Json:
    """The measured f-Hb of one sample as it stands: value with its comparator, interpretation, and the cutoff it met."""
    value: Json = {"dataAbsentReason": ERROR}
    if result.is_current:
        code, word, meaning = MEANS[result.side]
        value = {
            "valueQuantity": quantity(reported(result), "ug/g", comparator(result)),
            "interpretation": [
                concept(coding(f"{TERMS}v3-ObservationInterpretation", code, word), text=meaning)
            ],
            "referenceRange": [reference_range(result)],
            "note": [{"text": one} for one in remarks(result)],
        }
    return _head("Observation", result, frame) | {"category": [LABORATORY]} | _timing(result, frame) | value | {
        "specimen": reference("Specimen", result.sample_id),
    }  # fmt: skip


def report(result: Result, frame: Frame) -> Json:
    """The laboratory's report of one sample: the observation and what it means in a sentence."""
    words = WORDS[result.side] if result.is_current else "This result was withdrawn. Do not use it."
    return _head("DiagnosticReport", result, frame) | {"category": [LAB_SECTION]} | _timing(result, frame) | {
        "specimen": [reference("Specimen", result.sample_id)],
        "result": [reference("Observation", result.sample_id)], "conclusion": words,
    }  # fmt: skip


def _head(kind: str, result: Result, frame: Frame) -> Json:
    version = str(result.version) if result.is_current else f"{result.version}.withdrawn"
    return {
        "resourceType": kind, "id": str(result.sample_id),
        "meta": meta(frame, version=version, updated=getattr(result, "updated", result.authorised_at)),
        "identifier": [identifier(frame.system("result"), result.sample.serial)],
        "status": status_of(result), "code": TEST, "subject": subject(result.person, frame),
    }  # fmt: skip


def _timing(result: Result, frame: Frame) -> Json:
    sample, site = result.sample, result.run.analyser.site
    first, last = days_taken(sample.collected_earliest, sample.return_of.collected_latest)
    return period(first, last, "effective") | {
        "issued": frame.instant(result.authorised_at),
        "performer": [named("Organization", frame.system("site"), site.code, site.name)],
    }


def days_taken(earliest: date, latest: date) -> tuple[date, date]:
    """The first and last day on which the sample may have been taken."""
    return earliest, max(earliest, latest)


def status_of(result: Result) -> str:
    """`final`, `corrected` from the second version on, `entered-in-error` once withdrawn."""
    if not result.is_current:
        return "entered-in-error"
    return "final" if result.version == 1 else "corrected"


def reported(result: Result) -> Decimal:
    """The reported value at the decimals it was reported with."""
    return Decimal(f"{result.reported_ug_g:.{result.decimals}f}")


def comparator(result: Result) -> str:
    """`<` or `>` of a censored reading; a yes of an analyser that says only yes or no includes its limit."""
    return ">=" if result.qualitative and result.comparator == ">" else result.comparator


def reference_range(result: Result) -> Json:
    """The cutoff in force for this person: `high` is the cutoff itself, the words say on which side it lies."""
    cutoff = result.cutoff_ug_g.normalize()
    below = "<" if result.comparison == ">=" else "<="
    high = {key: one for key, one in quantity(cutoff, "ug/g").items() if key != "comparator"}
    return {"high": high, "text": f"below the cutoff: {below} {cutoff:f} ug/g"}


def remarks(result: Result) -> list[str]:
    """What must be read beside the value."""
    told = []
    if result.exact_differs:
        told.append(f"The exact value {result.exact_shown} ug/g decides, not the rounded one.")
    if result.qualitative:
        told.append("The analyser says only yes or no; its limit was the cutoff.")
    return told
