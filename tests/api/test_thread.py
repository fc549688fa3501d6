"""A program written from the description alone carries people from a register file to a closed referral.

It knows no address by heart: it looks operations up by name in /api/schema, fills in the path, sends what the schema
names, and follows `next` and `ETag`. The figures at the end are counted by hand from the files, as in
tests/journeys/test_the_thread.py: 60 invited, 40 back, kits 7, 19 and 33 at or above 20 µg/g.
"""

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from screening.models import Lot
from screening.serials import serial_make
from screening.services.batches import kits_stock
from staff import clock
from tests import cast
from tests.api.program import Program, Told, a_token
from tests.conftest import NOON

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
NO_FIGURES = ("/how-are-we-doing/people/", "/how-are-we-doing/files/", "/how-are-we-doing/two-cohorts/")
INVITED, BACK, HIGH = 60, 40, (7, 19, 33)


class FromTheSchema:
    """A client that reads the description and calls operations by name."""

    def __init__(self, secrets: dict[str, str]) -> None:
        self.programs = {role: Program(secret) for role, secret in secrets.items()}
        found = Client().get("/api/schema").json()
        self.operations = {
            told["operationId"]: (method, path, told)
            for path, methods in found["paths"].items()
            for method, told in methods.items()
        }

    def call(
        self, role: str, name: str, body: Any = None, *, csv: bytes | None = None, tag: str = "", **given: Any
    ) -> Told:
        """Call an operation; `given` fills its path and query parameters."""
        method, path, told = self.operations[name]
        query = {}
        for one in told.get("parameters", ()):
            if one["in"] == "query" and one["name"] in given:
                query[one["name"]] = given[one["name"]]
            if one["in"] == "path":
                path = path.replace("{" + one["name"] + "}", str(given[one["name"]]))
        address = path + ("?" + "&".join(f"{k}={v}" for k, v in query.items()) if query else "")
        if method == "get":
            return self.programs[role].get(address)
        wanted = {one["name"] for one in told["parameters"] if one["in"] == "header" and one.get("required")}
        assert wanted <= {"Idempotency-Key", "If-Match"}
        headers = {"If-Match": tag} if "If-Match" in wanted else {}
        return self.programs[role].post(address, body, csv=csv, **headers)

    def good(self, role: str, name: str, *args: Any, **given: Any) -> Any:
        """The same, which must succeed."""
        answer = self.call(role, name, *args, **given)
        assert 200 <= answer.status < 300, (name, answer.status, answer.data)
        return answer.data

    def everything(self, role: str, name: str, **given: Any) -> list[Any]:
        """All items over all pages."""
        page = self.good(role, name, **given)
        items = list(page["items"])
        while page["next"]:
            page = self.programs[role].get(page["next"]).data
            items += page["items"]
        return items


@pytest.fixture
def doors(region: object) -> FromTheSchema:
    with clock.at(NOON - timedelta(days=2)):
        lot = Lot.objects.order_by("pk").first()
        kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=lot, first_number=1, count=100)
    roles = ("administrator", "phone_desk", "front_desk", "laboratory", "clinician", "manager")
    secrets = {role: a_token(role) for role in roles} | {"lead": a_token("laboratory")}
    return FromTheSchema(secrets)


def test_a_program_drives_the_thread_and_gets_the_figures_of_the_pages(doors: FromTheSchema) -> None:
    with clock.at(NOON - timedelta(days=2)):
        load_the_register(doors)
        invite(doors)
    log_the_post(doors)
    measure(doors)
    release(doors)
    carry_to_the_end(doors)
    read_the_figures(doors)


def load_the_register(doors: FromTheSchema) -> None:
    content = (FIXTURES / "register_500.csv").read_bytes()
    load = doors.good("administrator", "register_load_send", csv=content, file_name="feed.csv")
    assert (load["status"], load["lines"], load["created"]) == ("staged", 500, 500)
    progress = doors.good("administrator", "register_load", id=load["id"])
    assert progress["effect"]["created"] == 500
    assert doors.good("administrator", "register_load_apply", {}, id=load["id"])["status"] == "applied"
    again = doors.good("administrator", "register_load_send", csv=content, file_name="feed.csv")
    assert (again["id"], again["status"]) == (load["id"], "applied")


def invite(doors: FromTheSchema) -> None:
    batch = doors.good("phone_desk", "batch_open", {"size": INVITED})
    assert (batch["size"], batch["waiting"]) == (INVITED, INVITED)
    sent = doors.good("phone_desk", "batch_dispatch", {}, id=batch["id"])
    assert (sent["sent"], sent["waiting"]) == (INVITED, 0)
    assert doors.call("phone_desk", "batch_dispatch", {}, id=batch["id"]).status in {200, 409, 422}


def log_the_post(doors: FromTheSchema) -> None:
    today = clock.today()
    given = {"site": "QHC", "arrived_on": str(today), "label": "sack", "hand_count": BACK}
    delivery = doors.good("front_desk", "delivery_record", given)
    kits = [{"serial": serial_make(n), "day": str(today.day)} for n in range(1, BACK + 1)]
    assert doors.good("front_desk", "returns_log", {"kits": kits}, id=delivery["id"])["logged"] == BACK
    again = doors.good("front_desk", "returns_log", {"kits": kits[:3]}, id=delivery["id"])
    assert again["logged"] == 0
    rows = doors.everything("front_desk", "returns", id=delivery["id"], limit=7)
    assert {row["state"] for row in rows} == {"ready"}
    assert {row["serial"] for row in rows} == {kit["serial"] for kit in kits}
    assert doors.good("front_desk", "delivery", id=delivery["id"])["logged"] == BACK


def measure(doors: FromTheSchema) -> None:
    q1 = next(one for one in doors.good("laboratory", "analysers")["items"] if one["code"] == "Q1")
    values = dict(zip(sorted(c["level"] for c in q1["controls"]), ("90.5", "477"), strict=True))
    controls = [{"control": one["id"], "value": values[one["level"]]} for one in q1["controls"]]
    run = doors.good("laboratory", "run_open", {"analyser": "Q1", "unit": "ng/mL", "controls": controls})
    assert run["status"] == "open"
    good = (FIXTURES / "readings_good.csv").read_bytes()
    file = doors.good("laboratory", "readings_load", csv=good, id=run["id"], file_name="day.csv")
    assert (file["lines"], file["taken"], file["not_taken"]) == (BACK, BACK, [])
    closed = doors.good("laboratory", "run_close", {"controls": controls}, id=run["id"])
    assert closed["status"] == "in_control"


def release(doors: FromTheSchema) -> None:
    listed = doors.good("lead", "release_list")["items"]
    high = [one for one in listed if one["side"] == "at_or_above"]
    assert {one["serial"] for one in high} == {serial_make(n) for n in HIGH}
    assert doors.good("lead", "release_below", {})["released"] == BACK - len(HIGH)
    for one in high:
        done = doors.good("lead", "sample_decide", {"decision": "at_or_above"}, id=one["sample"])
        assert done["state"] == "reported"
    assert len(doors.everything("lead", "results", side="at_or_above", limit=2)) == len(HIGH)
    assert len(doors.everything("lead", "results", limit=9)) == BACK


def carry_to_the_end(doors: FromTheSchema) -> None:
    waiting = doors.everything("clinician", "referrals", state="to_reach", limit=2)
    assert len(waiting) == len(HIGH)
    referral = waiting[0]
    person = doors.good("clinician", "person", id=referral["person"], purpose="worklist")
    number = person["numbers"][0]["value"]
    questions = doors.operations["referral_assess"][2]["requestBody"]["content"]["application/json"][
        "examples"
    ]
    answers = next(iter(questions.values()))["value"]["answers"]
    today = str(clock.today())
    report = {
        "number_on_report": number, "birth_on_report": person["birth_date"], "day": today, "complete": True,
        "prep_adequate": True, "finding": "nothing", "report_document": "REP-1",
    }  # fmt: skip
    wrong = report | {"birth_on_report": "1930-01-01"}
    tag, steps = doors.call("clinician", "referral", id=referral["id"]).headers["ETag"], [
        ("referral_claim", {}, "to_reach"),
        ("referral_contact", {"outcome": "spoke", "wish": "go_on"}, "to_assess"),
        ("referral_assess", {"outcome": "fit", "preparation": "macrogol", "answers": answers}, "to_book"),
        ("referral_book", {"site": "QCU", "day": today, "time": "09:00"}, "booked"),
        ("referral_attend", {"outcome": "attended"}, "report_due"),
        ("referral_report", wrong, "report_of_another"),
        ("referral_report", report, "to_classify"),
        ("referral_sign", {"finding": "nothing", "step": "screening", "words": "Clean and complete."}, "closed"),
    ]  # fmt: skip
    for name, body, becomes in steps:
        answer = doors.call("clinician", name, body, tag=tag, id=referral["id"])
        if answer.status == 422:
            assert answer.data["code"] == becomes
            continue
        assert (answer.status, answer.data["state"]) == (200, becomes), (name, answer.data)
        behind = doors.call("clinician", name, body, tag=tag, id=referral["id"])
        assert (behind.status, behind.data["code"]) == (412, "stale")
        tag = answer.headers["ETag"]
    end = doors.good("clinician", "referral", id=referral["id"])
    assert (end["close_reason"], end["moves"][-1]["to_state"]) == ("next_step_signed", "closed")


def read_the_figures(doors: FromTheSchema) -> None:
    period = {"since": "2026-06-01", "until": str(clock.today())}
    told = doors.good("manager", "indicators", **period)
    uptake, positivity = told["total"]["uptake_90"], told["total"]["positivity"]
    assert (uptake["numerator"], uptake["denominator"]) == (BACK, INVITED)
    assert (positivity["numerator"], positivity["denominator"]) == (len(HIGH), BACK)
    assert told["counts"]["referrals_closed"] == 1
    women = doors.good("manager", "indicators", **period, sex="female")
    men = doors.good("manager", "indicators", **period, sex="male")
    of_both = [one["total"]["uptake_90"]["denominator"] for one in (women, men)]
    assert (sum(of_both), women["only"], women["not_by"]["calls_answered"]) == (
        INVITED,
        {"sex": "female"},
        ["sex"],
    )
    refused = doors.call("manager", "indicators", **period, sex="neither")
    assert (refused.status, refused.data["code"]) == (422, "asked_wrongly")
    browser = Client()
    browser.force_login(cast.member(cast.MANAGER), backend="django.contrib.auth.backends.ModelBackend")
    pages = _pages(browser, f"?from={period['since']}&to={period['until']}")
    words = re.sub(r"<[^>]+>|\s+", " ", pages[0])
    assert f"Of {INVITED} people invited" in words
    shown = {key: figure for page in pages for key, figure in _figures(page).items()}
    given = {key: (one["numerator"], one["denominator"]) for key, one in told["total"].items()}
    assert {key: given[key] for key in shown} == shown
    assert len(shown) >= 17, "figures of every page, each beside the same from the door"
    happened = {
        label: int(n)
        for n, label in re.findall(r"(\d+) {2,}([a-z][a-z ]+?) {2,}", words[words.index("What happened") :])
    }
    counted = told["counts"]
    assert [
        happened[label] for label in ("invited", "results released", "people examined", "referrals closed")
    ] == [counted[name] for name in ("invited", "results", "examined", "referrals_closed")]
    assert uptake["too_few"]
    assert f"too few to judge ({uptake['numerator']})" in words
    browser.post("/nobody-falls-through/run/")
    proof = doors.good("manager", "proof")
    assert proof["checks"]
    assert {check["name"]: check["violating"] for check in proof["checks"] if check["violating"]} == {}
    assert doors.everything("phone_desk", "letters", limit=50) == []


def _pages(browser: Client, query: str) -> list[str]:
    """The first page of figures and those that its tabs lead to, all for the same period."""
    first = browser.get(f"/how-are-we-doing/{query}").content.decode()
    names = sorted(set(re.findall(r'href="(/how-are-we-doing/[a-z-]+/)\?', first)))
    found = [browser.get(name + query) for name in names if name not in NO_FIGURES]
    assert {answer.status_code for answer in found} == {200}
    return [first, *(answer.content.decode() for answer in found)]


def _figures(page: str) -> dict[str, tuple[int, int]]:
    """Numerator and denominator that stand before each link to a definition."""
    marked = re.sub(r'<a[^>]*href="/how-are-we-doing/definition/(\w+)/[^>]*>', r" @\1@ ", page)
    words = re.sub(r"<[^>]+>|\s+", " ", marked)
    found = re.findall(r"([\d ]+) of ([\d ]+);(?:(?! of [\d ]+;|@).)*@(\w+)@", words)
    return {key: (int(n.replace(" ", "")), int(d.replace(" ", ""))) for n, d, key in found}
