"""Every resource type of the facade, read over HTTP, against a published R4 model library and the conditional rules of R4.

Sources: HL7 FHIR R4 (4.0.1) as carried by the library's R4B models, which are R4's for these types; rules in `rules.py`.
"""

from datetime import date
from decimal import Decimal

import pytest

from outreach.fhir.communication import STATUS as OF_LETTERS
from outreach.services.planning import letters_plan
from outreach.states import LETTER
from results.fhir.follow_up import APPOINTMENT, request_status
from results.fhir.lab import observation
from results.models import Booking, Examination, Referral, Result
from results.services.authorise import result_release_at_or_above, results_release_below
from results.services.authorise_amend import result_amend, result_withdraw
from results.states import REFERRAL, REFERRAL_CLOSE_REASONS
from screening.models import KitModel, Person, Practice
from staff.fhir.base import frame_now
from staff.models import User
from tests import lab_bench as bench
from tests.api.program import Program, a_token
from tests.fhir.rules import STATUS, broken
from tests.outreach import makers
from tests.results.follow_up import a_referral, a_result_at_or_above

pytestmark = pytest.mark.usefixtures("region")
FHIR = "application/fhir+json"
UCUM = {"unit": "ug/g", "system": "http://unitsofmeasure.org", "code": "ug/g"}


def read(role: str, path: str) -> dict:
    """One resource, which breaks no rule."""
    answer = Program(a_token(role)).get(f"/fhir/{path}", Accept=FHIR)
    assert answer.status == 200, answer.data
    assert answer.headers["Content-Type"] == FHIR
    assert broken(answer.data) == []
    return answer.data


def observation_of(result: Result) -> dict:
    return read("laboratory", f"Observation/{result.sample_id}")


def test_a_whole_course_resource_by_resource() -> None:
    referral = a_referral("closed", practice=Practice.objects.first(), language="ar", phone="01632960001")
    letters_plan(by=User.objects.system())
    result = Result.objects.get(referral_link__referral=referral)
    person = read("coordinator", f"Patient/{referral.person_id}")
    number = referral.person.identifiers.get().value
    assert person["identifier"][0]["value"] == number
    assert person["generalPractitioner"][0]["identifier"]["value"] == referral.person.practice.code
    seen = read("laboratory", f"Observation/{result.sample_id}")
    assert seen["valueQuantity"] == {"value": 84.2, **UCUM}
    assert seen["subject"]["reference"] == f"Patient/{referral.person_id}"
    assert seen["subject"]["identifier"]["value"] == number
    assert seen["interpretation"][0]["coding"][0]["code"] == "POS"
    assert seen["referenceRange"] == [{"high": {"value": 20, **UCUM}, "text": "below the cutoff: < 20 ug/g"}]
    report = read("clinician", f"DiagnosticReport/{result.sample_id}")
    assert report["result"] == [{"reference": f"Observation/{result.sample_id}", "type": "Observation"}]
    assert (
        read("laboratory", f"Specimen/{result.sample_id}")["identifier"][0]["value"] == result.sample.serial
    )
    asked = read("coordinator", f"ServiceRequest/{referral.pk}")
    assert (asked["status"], asked["reasonReference"][0]["reference"]) == (
        "completed",
        f"Observation/{result.sample_id}",
    )
    booked = read("coordinator", f"Appointment/{Booking.objects.get().pk}")
    assert (booked["status"], booked["basedOn"][0]["reference"]) == (
        "fulfilled",
        f"ServiceRequest/{referral.pk}",
    )
    assert booked["start"].startswith("2026-06-17T09:30:00")
    done = read("clinician", f"Procedure/{Examination.objects.get().pk}")
    assert (done["status"], done["outcome"]["text"]) == (
        "completed",
        "non-advanced adenoma or serrated lesion",
    )
    kinds = set()
    for letter in referral.person.letters.all():
        told = read("coordinator", f"Communication/{letter.pk}")
        kinds.add((letter.kind, told["recipient"][0]["type"]))
        assert "payload" not in told
    assert {("next_step", "Patient"), ("next_step_doctor", "Organization")} <= kinds


@pytest.mark.parametrize(("raw", "value", "comparator", "code"), [
    ("99.75", 20.0, None, "POS"), ("99.7", 19.9, None, "NEG"), ("<10", 2.0, "<", "NEG"), (">1000", 200.0, ">", "POS"),
])  # fmt: skip
def test_censored_and_near_values_say_what_was_measured(
    raw: str, value: float, comparator: str | None, code: str
) -> None:
    """Sources: FHIR R4 quantity-comparator; the demo kit's 2.4 mL and 12 mg, so that 100 ng/mL is 20 µg/g; ruling R4."""
    sample = bench.a_sample()
    bench.measured([(sample, raw)])
    results_release_below(by=bench.lead())
    if not sample.results.exists():
        result_release_at_or_above(by=bench.lead(), sample=sample)
    seen = observation_of(sample.results.get())
    quantity = seen["valueQuantity"]
    assert (quantity["value"], quantity.get("comparator")) == (value, comparator)
    assert seen["interpretation"][0]["coding"][0]["code"] == code


def test_an_amendment_is_the_next_version_and_a_withdrawal_shows_no_value() -> None:
    sample = bench.a_sample()
    bench.measured([(sample, "63")])
    results_release_below(by=bench.lead())
    first = sample.results.get()
    before = observation_of(first)
    assert (before["status"], before["meta"]["versionId"]) == ("final", "1")
    KitModel.objects.filter(name="Tarn 12").update(stool_mg=6)
    second = result_amend(by=bench.lead(), result=first, reason="wrong mass", second=bench.technician())
    after = observation_of(second)
    assert (after["id"], after["status"], after["meta"]["versionId"]) == (before["id"], "corrected", "2")
    assert after["valueQuantity"]["value"] == 25.2
    result_withdraw(by=bench.lead(), result=second, reason="a neighbour's vial", second=bench.technician())
    gone = observation_of(second)
    assert gone["status"] == "entered-in-error"
    assert gone["dataAbsentReason"]["coding"][0]["code"] == "error"
    assert not {"valueQuantity", "interpretation", "referenceRange"} & set(gone)
    assert read("laboratory", f"DiagnosticReport/{sample.pk}")["status"] == "entered-in-error"


def test_a_yes_without_a_number_includes_its_limit() -> None:
    result = a_result_at_or_above(value="20")
    result.qualitative, result.comparator, result.reported_ug_g = True, ">", Decimal(20)
    seen = observation(result, frame_now())
    assert seen["valueQuantity"]["comparator"] == ">="
    assert seen["note"] == [{"text": "The analyser says only yes or no; its limit was the cutoff."}]


def test_every_state_has_a_status_that_fhir_knows() -> None:
    for state in REFERRAL.states:
        for reason in ["", *REFERRAL_CLOSE_REASONS]:
            assert request_status(state, reason) in STATUS["ServiceRequest"]
    assert set(OF_LETTERS) == set(LETTER.states)
    assert set(OF_LETTERS.values()) <= STATUS["Communication"]
    assert set(APPOINTMENT) == set(Booking.Status.values)
    assert set(APPOINTMENT.values()) <= STATUS["Appointment"]


@pytest.mark.parametrize("state", ["to_reach", "paused_until", "requested", "booked", "repeat_planned"])
def test_a_referral_under_way(state: str) -> None:
    referral: Referral = a_referral(state)
    found = Program(a_token("coordinator")).get(f"/fhir/ServiceRequest?patient={referral.person_id}").data
    assert broken(found) == []
    assert [one["resource"]["id"] for one in found["entry"]] == [str(referral.pk)]
    for kind in ("Appointment", "Procedure"):
        assert (
            broken(
                Program(a_token("coordinator")).get(f"/fhir/{kind}?patient=Patient/{referral.person_id}").data
            )
            == []
        )


def test_a_hidden_address_never_leaves() -> None:
    makers.a_result("30.0")
    person = Person.objects.get(results__isnull=False)
    shown = read("phone_desk", f"Patient/{person.pk}")
    assert shown["address"][0]["line"] == [person.address_1]
    Person.objects.filter(pk=person.pk).update(hidden_address=True, address_2="Backhouse 7")
    masked = read("phone_desk", f"Patient/{person.pk}")
    text = str(masked)
    for word in (person.address_1, person.locality, person.postcode, "Backhouse"):
        assert word not in text
    assert masked["address"][0]["extension"][0]["valueCode"] == "masked"
    plain = Program(a_token("phone_desk")).get(f"/api/people/{person.pk}?purpose=check")
    assert plain.data["address"] == []
    assert "Backhouse" not in str(plain.data)


def test_a_merged_record_names_the_one_it_went_into_and_nothing_else() -> None:
    referral = a_referral("to_reach")
    other = Person.objects.create(family_name="Fenwirth", given_names="Liora", birth_date=date(1964, 3, 9))
    Person.objects.filter(pk=other.pk).update(merged_into=referral.person)
    old = read("coordinator", f"Patient/{other.pk}")
    assert old["link"] == [
        {"other": {"reference": f"Patient/{referral.person_id}", "type": "Patient"}, "type": "replaced-by"}
    ]
    assert set(old) == {"resourceType", "id", "meta", "active", "link"}


def test_the_capability_statement_names_what_there_is() -> None:
    answer = Program().get("/fhir/metadata")
    assert (answer.status, answer.headers["Content-Type"]) == (200, FHIR)
    assert broken(answer.data) == []
    assert answer.data["fhirVersion"] == "4.0.1"
    named = {one["type"] for one in answer.data["rest"][0]["resource"]}
    assert named == {
        "Patient", "ServiceRequest", "Specimen", "Observation", "DiagnosticReport", "Communication", "Appointment", "Procedure",
    }  # fmt: skip
