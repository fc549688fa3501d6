"""Every door for programs × every role × own or another site: classified, and nothing of another site is shown."""

import json
from datetime import date
from itertools import product

import pytest
from django.test import Client
from django.urls import reverse

from results.models import Booking, Referral
from staff.api.base import Acts, ApiView, Reads
from staff.models import Site
from staff.roles import Role
from staff.routes import ROUTES as GROUND
from staff.routes import route_table
from tests import cast, factories
from tests import lab_bench as bench
from tests.api.program import ROLES, Program, a_token
from tests.permissions.test_url_matrix import PATTERNS
from tests.results.follow_up import a_referral

pytestmark = pytest.mark.usefixtures("region")
DOORS = {name: door for name, door in route_table().items() if door.token}
VIEWS = {name: PATTERNS[name].callback.cls for name in DOORS}
NOBODYS = 999_999_999


def _address(name: str, pk: int = NOBODYS) -> str:
    return reverse(name, kwargs={"pk": pk} if "pk" in PATTERNS[name].pattern.converters else None)


def code_of(data: dict) -> str:
    """The stable code of a refusal, in problem details or in an OperationOutcome."""
    return data["issue"][0]["details"]["coding"][0]["code"] if "issue" in data else data["code"]


def _call(program: Program, name: str, method: str, pk: int = NOBODYS) -> object:
    if method == "GET":
        return program.get(_address(name, pk))
    does = VIEWS[name].does["POST"]
    tag = {"If-Match": '"referral-1"'} if does.if_match else {}
    return program.post(_address(name, pk), does.sends, csv=does.sends.encode() if does.csv else None, **tag)


def test_every_address_under_api_is_a_door_of_our_making_or_public() -> None:
    assert len(DOORS) > 35
    for name in PATTERNS:
        if name.split(":")[0].endswith(("-api", "-fhir")):
            assert name in DOORS or route_table()[name].public, name
    for name, view in VIEWS.items():
        assert issubclass(view, ApiView), name
        for setting in ("authentication_classes", "permission_classes", "throttle_classes"):
            assert getattr(view, setting) == getattr(ApiView, setting), name
        assert set(view.does) <= {"GET", "POST"}
        assert ("GET" in view.does) == issubclass(view, Reads), name
        assert ("POST" in view.does) == issubclass(view, Acts), name
    assert GROUND["staff-api:schema"].public


@pytest.mark.parametrize("role", ROLES)
def test_a_role_gets_through_its_doors_and_no_other(role: str) -> None:
    everywhere, bound = Program(a_token(role)), Program(a_token(role, "QCU"))
    wrong = []
    for name, view in VIEWS.items():
        for method, (program, one_site) in product(view.does, ((everywhere, False), (bound, True))):
            door = DOORS[name]
            answer = _call(program, name, method)
            may = Role(role) in door.lets(method) and (door.one_site or not one_site)
            refused = answer.status == 403
            if answer.status >= 500 or may == refused:
                wrong.append(f"{method} {name} ({'one site' if one_site else 'all'}): {answer.status}")
            if refused and code_of(answer.data) not in {"role_missing", "site_bound"}:
                wrong.append(f"{method} {name}: {answer.data}")
    assert wrong == []


def test_a_stranger_gets_through_no_door() -> None:
    for name, view in VIEWS.items():
        for method in view.does:
            assert _call(Program(), name, method).status == 401, name


def test_a_page_is_not_opened_by_a_token() -> None:
    secret = a_token("administrator")
    for name, door in route_table().items():
        if door.token or door.public:
            continue
        kinds = PATTERNS[name].pattern.converters
        values = {key: 1 if type(kind).__name__ == "IntConverter" else "none" for key, kind in kinds.items()}
        answer = Client().get(reverse(name, kwargs=values), headers={"Authorization": f"Bearer {secret}"})
        assert answer.status_code == 302, name


def test_other_methods_are_refused_in_words() -> None:
    program = Program(a_token("administrator"))
    for method in ("put", "patch", "delete"):
        sent = getattr(program.http, method)("/api/register-loads", headers=program.headers({}))
        assert sent.status_code in {403, 405}
        assert json.loads(sent.content)["code"] in {"method_not_allowed", "role_missing"}


def test_a_client_of_one_site_sees_and_changes_that_sites_things_alone() -> None:
    """One thing of each kind at a site; a client of that site has it, one of another site finds nothing there."""
    delivery = factories.a_delivery()
    sample = bench.a_sample()
    run = bench.measured([(sample, "12.5")])
    referral: Referral = a_referral("to_book")
    Booking.objects.create(
        referral=referral, site=Site.objects.get(code="QCU"), day=date(2026, 7, 1), time="09:00", made_on=date(2026, 6, 17),
        made_by=cast.member(cast.NURSE),
    )  # fmt: skip
    lab = run.analyser.site.code
    kinds = (
        ("front_desk", delivery.site.code, "screening-api:deliveries", "screening-api:delivery", delivery.pk),
        ("laboratory", lab, "results-api:runs", "results-api:run", run.pk),
        ("laboratory", lab, "results-api:results", "", 0),
        ("clinician", "QCU", "results-api:referrals", "results-api:referral", referral.pk),
    )
    for role, site, many, one, pk in kinds:
        other = Site.objects.exclude(code=site).order_by("pk").first().code
        mine, theirs, all_sites = (
            Program(a_token(role, site)),
            Program(a_token(role, other)),
            Program(a_token(role)),
        )
        if one:
            assert pk in {item["id"] for item in mine.get(reverse(many)).data["items"]}, many
            assert (mine.get(_address(one, pk)).status, all_sites.get(_address(one, pk)).status) == (200, 200)
            assert theirs.get(_address(one, pk)).status == 404, one
        assert theirs.get(reverse(many)).data["items"] == [], many
        for name in (n for n in VIEWS if one and _below(n, one) and Role(role) in DOORS[n].lets("POST")):
            assert _call(theirs, name, "POST", pk).status == 404, name
    assert Program(a_token("laboratory", "QCU")).get("/api/analysers").data == {"items": []}
    assert Program(a_token("laboratory", "QCU")).get("/api/release-list").data == {"items": []}
    assert Program(a_token("laboratory", "QCU")).post("/api/release-list/below").data == {"released": 0}
    refused = Program(a_token("front_desk", "QCU")).post(
        "/api/deliveries", {"site": delivery.site.code, "arrived_on": "2026-06-17"}
    )
    assert (refused.status, refused.data["code"]) == (422, "site_unknown")


def _below(name: str, one: str) -> bool:
    return "POST" in VIEWS[name].does and _address(name, 1).startswith(_address(one, 1) + "/")
