"""Requests made from the description, half of them spoilt: never a 5xx, never an answer the description does not name.

Short in the suite; the campaign makes 10,000 calls (`pytest -m campaign tests/api/test_fuzz.py`).
"""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from django.test import Client, override_settings

from results.models import Referral
from screening.models import Batch, Delivery, RegisterLoad
from screening.services.batches import batch_open
from screening.services.register import register_stage
from staff.api.views import description
from staff.models import KeptAnswer, Site
from tests import cast, factories
from tests import lab_bench as bench
from tests.api.contract import Op, operations, resolved, validator
from tests.api.program import ROLES, Program, a_token, fresh_key
from tests.permissions.test_api_matrix import DOORS, PATTERNS
from tests.results.follow_up import a_referral

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
CALLS = [
    pytest.param(1, 45, id="short"), pytest.param(28, 1250, id="long", marks=[pytest.mark.campaign, pytest.mark.timeout(3000)]),
]  # fmt: skip
NASTY: tuple[Any, ...] = (
    None, True, -1, 0, 2**31, 2**63, 10**400, 1.5, 1e308, "", " ", "x" * 5000, "\x00", "\ud800", "ʰ\u202e", "' OR 1=1 --",
    "<script>", "{{7*7}}", "9999-12-31", "0001-01-01", "2026-02-30", "NaN", "Infinity", "25:61", [], {}, [[]], {"a": {"b": []}},
    "१२३", "1e5", "-0", "2026-06-17T00:00:00",
)  # fmt: skip


@pytest.fixture
def world(region: object) -> dict[str, list[int]]:
    """One thing in each state that a step starts from; numbers by the first word of the address."""
    for _ in range(6):
        factories.a_person()
        factories.a_kit()
    batch = batch_open(by=cast.member(cast.MANAGER), size=2)
    register_stage(
        by=cast.member(cast.ADMINISTRATOR),
        content=(FIXTURES / "register_500.csv").read_bytes(),
        file_name="feed.csv",
    )
    run = bench.measured([(bench.a_sample(), "12.5"), (bench.a_sample(), "900")])
    bench.a_sample()
    bench.an_open_run()
    states = (
        "to_reach",
        "to_assess",
        "to_book",
        "booked",
        "report_due",
        "histology_due",
        "to_classify",
        "closed",
    )
    referrals = [a_referral(state).pk for state in states]
    samples = [reading.sample_id for reading in run.readings.all()]
    return {
        "register-loads": list(RegisterLoad.objects.values_list("pk", flat=True)), "batches": [batch.pk, *Batch.objects.values_list("pk", flat=True)],
        "deliveries": list(Delivery.objects.values_list("pk", flat=True)), "runs": [run.pk, run.pk + 1, run.pk + 2],
        "readings-files": [file.pk for file in run.files.all()], "samples": samples, "referrals": referrals,
        "people": list(Referral.objects.values_list("person_id", flat=True)),
    }  # fmt: skip


class Maker:
    """Makes requests from the description."""

    def __init__(self, seed: int, found: dict[str, Any], world: dict[str, list[int]]) -> None:
        self.dice, self.found, self.world = random.Random(seed), found, world  # noqa: S311 - test data

    def path(self, op: Op) -> str:
        """The address with its number: of a thing that is there, mostly."""
        numbers = self.world.get(op.path.split("/")[2], [1])
        number = self.dice.choice([*numbers * 4, 1, 999_999_999, 10**17])
        path = op.path.replace("{id}", str(number))
        query = []
        for one in op.told.get("parameters", ()):
            if one["in"] == "query" and (one.get("required") or self.dice.random() < 0.4):
                value = self.value(one["schema"], 0.3)
                query.append((one["name"], value if isinstance(value, str) else json.dumps(value)))
        if not query:
            return path
        from urllib.parse import quote

        return (
            path + "?" + "&".join(f"{name}={quote(text.encode('utf-8', 'replace'))}" for name, text in query)
        )

    def value(self, schema: dict[str, Any], spoil: float) -> Any:
        """A value of this shape, or something that is not."""
        if self.dice.random() < spoil:
            return self.dice.choice(NASTY)
        schema = resolved(self.found, schema)
        for key in ("oneOf", "anyOf", "allOf"):
            if key in schema:
                return self.value(self.dice.choice(schema[key]), spoil)
        if schema.get("nullable") and self.dice.random() < 0.3:
            return None
        if "enum" in schema:
            return self.dice.choice(schema["enum"])
        return self._plain(schema, spoil)

    def _plain(self, schema: dict[str, Any], spoil: float) -> Any:
        kind, form = schema.get("type"), schema.get("format", "")
        if kind == "object":
            names = schema.get("properties", {})
            needed = set(schema.get("required", ()))
            kept = [
                n
                for n in names
                if (n in needed and self.dice.random() > spoil / 3) or self.dice.random() < 0.6
            ]
            return {name: self.value(names[name], spoil) for name in kept}
        if kind == "array":
            return [self.value(schema["items"], spoil) for _ in range(self.dice.choice([0, 1, 2, 3]))]
        if kind == "integer":
            return self.dice.choice(
                [schema.get("minimum", 0), 1, 2, 3, min(schema.get("maximum", 10**9), 10**6)]
            )
        if kind == "boolean":
            return self.dice.random() < 0.5
        if kind == "number":
            return self.dice.random() * 1000
        if form == "date":
            return f"2026-{self.dice.randint(1, 12):02}-{self.dice.randint(1, 28):02}"
        if form == "time":
            return f"{self.dice.randint(0, 23):02}:30"
        if form == "decimal":
            return f"{self.dice.randint(0, 900)}.5"
        return self.dice.choice(
            ["QHC", "QCU", "Q1", "words", "17", "x" * min(schema.get("maxLength", 20), 20)]
        )

    def body(self, op: Op) -> tuple[bytes, str]:
        """What is sent, and what it is called."""
        kind, content = next(iter(op.told["requestBody"]["content"].items()))
        if kind == "text/csv":
            name = "register_500.csv" if "register" in op.path else "readings_good.csv"
            raw = bytearray((FIXTURES / name).read_bytes()[: self.dice.choice([0, 1, 90, 3000])])
            for _ in range(self.dice.choice([0, 0, 5])):
                if raw:
                    raw[self.dice.randrange(len(raw))] = self.dice.randrange(256)
            return bytes(raw), kind
        example = next(iter(content["examples"].values()))["value"]
        data = self.dice.choice(
            [example, self.value(content["schema"], 0.0), self.value(content["schema"], 0.2)]
        )
        raw = json.dumps(data).encode()
        spoilt = (b"", b"{", b"\xff", b"[" * 20000, raw[:-1], b"1", b'"x"', b"null")
        return (self.dice.choice(spoilt) if self.dice.random() < 0.05 else raw), kind


@pytest.mark.parametrize(("rounds", "least"), CALLS)
@pytest.mark.parametrize("role", ROLES)
def test_no_role_gets_a_5xx_or_an_answer_nobody_described(
    role: str, rounds: int, least: int, world: dict[str, list[int]]
) -> None:
    found = description()
    maker = Maker(len(role) * 1000 + rounds, found, world)
    programs = [("", Program(a_token(role), Client(raise_request_exception=False)))]
    programs += [
        (site, Program(a_token(role, site), Client(raise_request_exception=False))) for site in ("QHC", "QCU")
    ]
    ops, calls, seen, wrong = operations(found), 0, {}, []
    doors = {PATTERNS[n].callback.cls: n for n in DOORS}
    by_name = {
        does.name: (doors[view], method.lower()) for view in doors for method, does in view.does.items()
    }
    mine = [op for op in ops if role in DOORS[by_name[op.name][0]].lets(op.method.upper())]
    with override_settings(API_REQUESTS_A_MINUTE=10**6):
        for _ in range(rounds):
            for op in [*ops, *mine * 2]:
                site, program = maker.dice.choice(programs)
                status, trouble = _call(maker, op, program, site, found)
                door = DOORS[by_name[op.name][0]]
                may = role in door.lets(op.method.upper()) and (door.one_site or not site)
                if may == (status == 403) and status != 403:
                    trouble = trouble or f"a door not open to {role} answered {status}"
                calls, seen[status] = calls + 1, seen.get(status, 0) + 1
                if trouble:
                    wrong.append(f"{op.method} {op.path}: {trouble}")
    print(role, calls, "calls", dict(sorted(seen.items())))  # noqa: T201 - what the campaign shows
    assert wrong == []
    assert calls >= least
    assert not {status for status in seen if status >= 500}
    assert not KeptAnswer.objects.filter(status=0).exists()


def _call(maker: Maker, op: Op, program: Program, site: str, found: dict[str, Any]) -> tuple[int, str]:
    path = maker.path(op)
    if op.method == "get":
        sent = program.http.get(path, headers=program.headers({}))
    else:
        body, kind = maker.body(op)
        given = {"Idempotency-Key": fresh_key()}
        if any(one["name"] == "If-Match" for one in op.told["parameters"]):
            pk = path.split("/")[3]
            now = Referral.objects.filter(pk=pk).values_list("last_seq", flat=True).first() or 0
            given["If-Match"] = maker.dice.choice(
                [f'"referral-{now}"'] * 6 + ['"referral-0"', "*", '"x"', ""]
            )
        sent = program.http.post(path, body, content_type=kind, headers=program.headers(given))
    return sent.status_code, _trouble(sent, op, site, found)


def _trouble(sent: Any, op: Op, site: str, found: dict[str, Any]) -> str:
    """What is wrong with an answer; empty when it is as described."""
    named = op.told["responses"].get(str(sent.status_code))
    if named is None:
        return f"status {sent.status_code} is not described: {sent.content[:300]!r}"
    kind = sent.headers["Content-Type"].split(";")[0]
    content = named.get("content", {}).get(kind)
    if content is None:
        return f"{sent.status_code} came as {kind}"
    data = json.loads(sent.content)
    errors = [
        f"{list(e.absolute_path)}: {e.message[:200]}"
        for e in validator(found, content["schema"]).iter_errors(data)
    ]
    if errors:
        return f"{sent.status_code} does not fit its shape: {errors[:2]}"
    if site and sent.status_code < 300:
        of_others = _sites_in(data) - {site}
        if of_others and op.name != "analysers" and "referral" not in op.name:
            return f"a client of {site} was shown {of_others}"
    return ""


def _sites_in(data: Any) -> set[str]:
    codes = set(Site.objects.values_list("code", flat=True))
    if isinstance(data, dict):
        here = {data["site"]} & codes if isinstance(data.get("site"), str) else set()
        return here.union(*(_sites_in(one) for one in data.values()))
    if isinstance(data, list):
        return set().union(*(_sites_in(one) for one in data))
    return set()
