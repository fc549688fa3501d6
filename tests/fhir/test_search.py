"""Searches of the facade: what finds what, pages that go on by their links, refusals in FHIR's words, journal, reach and cost.

Source: HL7 FHIR R4 (4.0.1), search and http pages: prefixes of dates, paging links, issue types; Bundle rules in `rules.py`.
"""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from results.models import Booking, Result, Sample
from results.services.authorise import results_release_below
from results.services.authorise_amend import result_withdraw
from staff import clock
from staff.models import AccessEntry, Purpose, Site
from tests import factories
from tests import lab_bench as bench
from tests.api.program import Program, a_token
from tests.fhir.rules import broken
from tests.results.follow_up import a_referral

pytestmark = pytest.mark.usefixtures("region")


@pytest.fixture
def lab() -> Program:
    return Program(a_token("laboratory"))


def ids(found: Any) -> list[str]:
    assert broken(found) == []
    return [entry["resource"]["id"] for entry in found.get("entry", ())]


def results(*values: str) -> list[Result]:
    samples = [bench.a_sample() for _ in values]
    bench.measured(list(zip(samples, values, strict=True)))
    results_release_below(by=bench.lead())
    return [sample.results.get() for sample in samples]


def test_pages_go_on_by_their_links_and_show_everything_once(lab: Program) -> None:
    made = [str(one.sample_id) for one in results(*["5"] * 7)]
    url, seen, pages = "/fhir/Observation?_count=3", [], 0
    while url:
        found = lab.get(url).data
        seen += ids(found)
        pages += 1
        assert found["link"][0]["relation"] == "self"
        url = next((link["url"] for link in found["link"] if link["relation"] == "next"), "")
    assert (pages, seen) == (3, sorted(made, key=int, reverse=True))


def test_a_page_costs_the_same_whatever_came_before(lab: Program) -> None:
    """No OFFSET, no count, and a number of statements that does not grow with the page."""
    results(*["5"] * 6)
    used = []
    for url in ("/fhir/Observation?_count=2", "/fhir/Observation?_count=5"):
        with CaptureQueriesContext(connection) as seen:
            found = lab.get(url).data
        used.append(len(seen))
        assert not any("OFFSET" in one["sql"] or "COUNT(*)" in one["sql"].split("FROM")[0] for one in seen)
    following = found["link"][1]["url"]
    with CaptureQueriesContext(connection) as seen:
        lab.get(following)
    assert used[0] == used[1] == len(seen)


def test_by_identifier_patient_id_and_date(lab: Program) -> None:
    one, two = results("5", "7")
    serial = one.sample.serial
    assert ids(lab.get(f"/fhir/Observation?identifier={serial}").data) == [str(one.sample_id)]
    system = "https://roundbook.invalid/ids/result"
    assert ids(lab.get(f"/fhir/Observation?identifier={system}|{serial}").data) == [str(one.sample_id)]
    assert ids(lab.get(f"/fhir/Observation?identifier=https://other.invalid|{serial}").data) == []
    assert ids(lab.get(f"/fhir/Specimen?identifier={serial},{two.sample.serial}").data) == [
        str(two.sample_id),
        str(one.sample_id),
    ]
    assert ids(lab.get(f"/fhir/Observation?patient=Patient/{two.person_id}").data) == [str(two.sample_id)]
    assert ids(lab.get(f"/fhir/Observation?patient=http://testserver/fhir/Patient/{two.person_id}").data) == [
        str(two.sample_id)
    ]
    assert ids(lab.get(f"/fhir/DiagnosticReport?_id={one.sample_id},999999").data) == [str(one.sample_id)]
    taken = one.sample.collected_earliest
    patient = f"/fhir/Observation?patient={one.person_id}&date="
    for asked, there in ((taken, True), (f"ge{taken}", True), (f"gt{taken}", False), (f"lt{taken}", False), (f"{taken:%Y-%m}", True), ("2025", False)):  # fmt: skip
        assert ids(lab.get(f"{patient}{asked}").data) == ([str(one.sample_id)] if there else []), asked


def test_days_that_are_not_certain_are_found_by_every_day_they_may_be(lab: Program) -> None:
    """Ruling R2: a sample without a date has an earliest and a latest day. Source: FHIR R4, search on a Period."""
    (one,) = results("5")
    first, last = date(2026, 6, 1), date(2026, 6, 10)
    Sample.objects.filter(pk=one.sample_id).update(collected_earliest=first)
    one.sample.return_of.__class__.objects.filter(pk=one.sample.return_of_id).update(
        collected_earliest=first, collected_latest=last
    )
    seen = lab.get(f"/fhir/Observation/{one.sample_id}").data
    assert seen["effectivePeriod"] == {"start": "2026-06-01", "end": "2026-06-10"}
    for asked, there in (
        ("2026-06-05", True),
        ("2026-06-11", False),
        ("lt2026-06-01", False),
        ("ge2026-06-10", True),
    ):
        found = lab.get(f"/fhir/Observation?patient={one.person_id}&date={asked}").data
        assert bool(ids(found)) == there, asked


def test_what_changed_since_is_found_withdrawals_too(lab: Program) -> None:
    one, two = results("5", "7")
    later = clock.now() + timedelta(hours=2)
    since = "_lastUpdated=gt" + (clock.now() + timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M:%SZ")
    for kind in ("Observation", "DiagnosticReport", "Specimen"):
        assert ids(lab.get(f"/fhir/{kind}?{since}").data) == []
        assert len(ids(lab.get(f"/fhir/{kind}?_lastUpdated=ge2026-06-17").data)) == 2
    with clock.at(later):
        result_withdraw(by=bench.lead(), result=one, reason="a neighbour's vial", second=bench.technician())
        for kind in ("Observation", "DiagnosticReport", "Specimen"):
            assert ids(lab.get(f"/fhir/{kind}?{since}").data) == [str(one.sample_id)], kind
        assert ids(lab.get(f"/fhir/Observation?{since.replace('gt', 'lt')}").data) == [str(two.sample_id)]
    assert ids(lab.get("/fhir/DiagnosticReport?issued=2026-06-17").data) == [
        str(two.sample_id),
        str(one.sample_id),
    ]
    assert ids(lab.get("/fhir/DiagnosticReport?issued=2026-06-16").data) == []


def test_a_version_that_is_known_is_not_sent_again(lab: Program) -> None:
    (one,) = results("5")
    path = f"/fhir/Observation/{one.sample_id}"
    first = lab.get(path)
    assert (first.headers["ETag"], first.headers["Last-Modified"]) == (
        'W/"1"',
        "Wed, 17 Jun 2026 11:00:00 GMT",
    )
    assert lab.get(path, **{"If-None-Match": 'W/"1"'}).status == 304
    result_withdraw(by=bench.lead(), result=one, reason="a neighbour's vial", second=bench.technician())
    assert lab.get(path, **{"If-None-Match": 'W/"1"'}).status == 200


@pytest.mark.parametrize(("path", "status", "issue"), [
    ("Observation?colour=red", 400, "not-supported"), ("Observation?date=2026-06-17", 400, "too-costly"),
    ("Specimen?collected=2026", 400, "too-costly"), ("Observation?_id=1&date=ne2026", 400, "invalid"),
    ("Observation?_id=1&date=2026-02-30", 400, "invalid"), ("Observation?_id=1&date=0000-01-01", 400, "invalid"),
    ("Observation?_lastUpdated=9999-12-31T23:59:59Z", 400, "invalid"), ("Observation?_count=0", 400, "invalid"),
    ("Observation?_count=x", 400, "invalid"), ("Observation?_cursor=abc", 400, "invalid"),
    ("Observation?patient=Practitioner/1", 400, "invalid"), ("Observation?patient=", 400, "invalid"),
    ("Observation?_format=xml", 400, "not-supported"), ("Observation/1?_elements=code", 400, "not-supported"),
    ("Observation/999999999", 404, "not-found"), ("Observation/abc", 404, "not-found"), ("Slot", 404, "not-found"),
    ("Patient", 403, "forbidden"), ("Patient/1", 403, "forbidden"),
])  # fmt: skip
def test_a_refusal_is_an_operation_outcome_that_says_what_to_do(
    lab: Program, path: str, status: int, issue: str
) -> None:
    answer = lab.get(f"/fhir/{path}")
    assert (answer.status, answer.data["issue"][0]["code"]) == (status, issue)
    assert answer.headers["Content-Type"] == "application/fhir+json"
    assert broken(answer.data) == []
    assert answer.data["issue"][0]["details"]["text"].endswith(".")


def test_other_refusals(lab: Program) -> None:
    assert Program().get("/fhir/Observation").data["issue"][0]["code"] == "login"
    assert lab.get("/fhir/Observation", Accept="application/xml").status == 406
    sent = lab.http.post("/fhir/Observation", "{}", content_type="application/json", headers=lab.headers({}))
    assert (sent.status_code, sent.json()["issue"][0]["code"]) in {(405, "not-supported"), (403, "forbidden")}
    strange = lab.get("/fhir/Observation?identifier=%00&patient=99999999999999999999")
    assert strange.status in (200, 400)


def test_a_patient_is_found_by_number_only_and_everybody_shown_is_journalled() -> None:
    person = factories.a_person()
    number = person.identifiers.get().value
    desk = Program(a_token("phone_desk"))
    assert desk.get("/fhir/Patient").data["issue"][0]["code"] == "too-costly"
    before = AccessEntry.objects.count()
    assert ids(desk.get(f"/fhir/Patient?identifier={number}").data) == [str(person.pk)]
    system = "https://roundbook.invalid/ids/person/register"
    assert ids(desk.get(f"/fhir/Patient?identifier={system}|{number}").data) == [str(person.pk)]
    assert (
        ids(desk.get(f"/fhir/Patient?identifier=https://roundbook.invalid/ids/person/other|{number}").data)
        == []
    )
    assert desk.get(f"/fhir/Patient/{person.pk}").status == 200
    looks = AccessEntry.objects.order_by("at")[before:]
    assert {(one.person_id, one.purpose, one.place) for one in looks} == {
        (person.pk, Purpose.EXPORT, "fhir:Patient")
    }
    assert len(looks) == 3


@pytest.mark.parametrize(
    "kind", ["Specimen", "Observation", "DiagnosticReport", "ServiceRequest", "Appointment", "Procedure"]
)
def test_every_type_is_journalled_and_a_client_of_one_site_sees_its_own_alone(kind: str) -> None:
    """Own and other site for each type; the person is written down for each resource shown, and for no other."""
    referral = a_referral("closed")
    measured = kind in ("Specimen", "Observation", "DiagnosticReport")
    role = "laboratory" if measured else "clinician"
    here = Result.objects.get().run.analyser.site.code if measured else Booking.objects.get().site.code
    mine, theirs = (
        Program(a_token(role, site)) for site in (here, Site.objects.exclude(code=here).first().code)
    )
    before = AccessEntry.objects.count()
    found = mine.get(f"/fhir/{kind}").data
    (shown,) = ids(found)
    assert AccessEntry.objects.filter(place=f"fhir:{kind}", person_id=referral.person_id).count() == 1
    assert ids(theirs.get(f"/fhir/{kind}").data) == []
    assert theirs.get(f"/fhir/{kind}/{shown}").status == 404
    assert AccessEntry.objects.count() == before + 1
    assert mine.get(f"/fhir/{kind}/{shown}").status == 200
    assert AccessEntry.objects.count() == before + 2


def test_a_record_merged_into_another_keeps_its_results_findable(lab: Program) -> None:
    (one,) = results("5")
    other = factories.a_person()
    one.person.__class__.objects.filter(pk=one.person_id).update(merged_into=other)
    assert ids(lab.get(f"/fhir/Observation?patient={other.pk}").data) == [str(one.sample_id)]
