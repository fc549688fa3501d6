"""A page of the facade touches what it shows and not the registry, wherever the page is and however little there is to find.

Counted in the database's own blocks (EXPLAIN with BUFFERS) over rows copied by SQL; the campaign has ten times as many.
"""

import json
from typing import Any

import psycopg
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from results.models import Result, Sample
from results.services.authorise import results_release_below
from staff.fhir.search import cursor_of
from tests import lab_bench as bench
from tests.api.program import Program, a_token
from tests.faults.conftest import own_region  # noqa: F401 - a fixture

COPY = """
INSERT INTO {table} SELECT (jsonb_populate_record(NULL::{table}, to_jsonb(t) || {changes})).*
FROM {table} t, generate_series(1, %(n)s) AS s(i) WHERE t.id = %(id)s
"""
MOST_BLOCKS = 1_200
"""The same for both sizes: a page of twenty with its people, samples and laboratories."""
OFFSET = 1_000_000
"""Copies have the numbers from here on, the same number in every table."""
SIZES = [
    pytest.param(15_000, id="short"),
    pytest.param(150_000, id="long", marks=[pytest.mark.campaign, pytest.mark.timeout(3600)]),
]
DAY = "to_char(timestamptz '2026-06-17 11:00Z' - make_interval(mins => 10 * (%(n)s - s.i)), 'YYYY-MM-DD\"T\"HH24:MI:SSOF')"


def _copied(owner: psycopg.Connection, table: str, pk: int, n: int, **changes: str) -> None:
    """N copies of a row; each change is an expression over `s.i`."""
    pairs = ", ".join(f"'{name}', {value}" for name, value in ({"id": f"{OFFSET} + s.i"} | changes).items())
    owner.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
    owner.execute(COPY.format(table=table, changes=f"jsonb_build_object({pairs})"), {"n": n, "id": pk})
    owner.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")
    owner.execute(f"ANALYZE {table}")


def a_registry(owner: psycopg.Connection, n: int) -> None:
    """One measured, released sample, and so many more like it, released one after the other."""
    sample: Sample = bench.a_sample()
    bench.measured([(sample, "5")])
    results_release_below(by=bench.lead())
    result = Result.objects.get()
    back, own, text = sample.return_of, f"{OFFSET} + s.i", f"({OFFSET} + s.i)::text"
    _copied(owner, "screening_person", result.person_id, n)
    _copied(owner, "screening_round", result.round_id, n, person_id=own)
    _copied(owner, "screening_kit", sample.kit_id, n, serial=text, round_id=own)
    _copied(owner, "screening_return", back.pk, n, kit_id=own)
    _copied(
        owner,
        "results_sample",
        sample.pk,
        n,
        serial=text,
        return_of_id=own,
        kit_id=own,
        round_id=own,
        person_id=own,
    )
    _copied(owner, "results_reading", result.reading_id, n, sample_id=own, running_number=own)
    move = sample.moves.order_by("-seq").first()
    _copied(owner, "results_samplemove", move.pk, n, subject_id=own, recorded_at=DAY)
    _copied(
        owner, "results_result", result.pk, n, sample_id=own, round_id=own, person_id=own, reading_id=own,
        authorised_at=DAY, authorised_on=f"left({DAY}, 10)",
    )  # fmt: skip


def blocks_of(plan: Any) -> int:
    """The blocks a statement touched, read or found in memory."""
    return int(plan["Shared Hit Blocks"]) + int(plan["Shared Read Blocks"])


def touched(program: Program, url: str) -> tuple[int, Any]:
    """(blocks that the reading statements of this request touch, its answer)."""
    with CaptureQueriesContext(connection) as seen:
        found = program.get(url)
    assert found.status == 200, found.data
    total = 0
    for one in seen:
        if one["sql"].startswith("SELECT") and "results_" in one["sql"]:
            with connection.cursor() as cursor:
                cursor.execute("EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON) " + one["sql"].replace("%", "%%"))
                (told,) = cursor.fetchone()
            plan = (json.loads(told) if isinstance(told, str) else told)[0]["Plan"]
            total += blocks_of(plan)
    return total, found.data


@pytest.mark.parametrize("n", SIZES)
def test_a_page_touches_what_it_shows(own_region: str, as_owner: psycopg.Connection, n: int) -> None:  # noqa: F811
    a_registry(as_owner, n)
    connection.close()
    lab = Program(a_token("laboratory"))
    (whole,) = as_owner.execute("SELECT pg_relation_size('results_result') / 8192").fetchone()
    deep = n // 2
    pages = {
        "first": "/fhir/Observation?_count=20",
        "specimens": "/fhir/Specimen?_count=20",
        "reports": "/fhir/DiagnosticReport?_count=20",
    }
    pages["nothing new"] = "/fhir/Observation?_lastUpdated=gt2026-06-18"
    pages["nothing moved"] = "/fhir/Specimen?_lastUpdated=gt2026-06-18"
    pages["nothing issued"] = "/fhir/DiagnosticReport?issued=gt2026-06-18"
    pages["one patient"] = f"/fhir/Observation?patient={OFFSET + deep}"
    pages["one serial"] = f"/fhir/Specimen?identifier={OFFSET + deep}"
    told = {name: touched(lab, url) for name, url in pages.items()}
    told["deep"] = touched(lab, f"/fhir/Observation?_count=20&_cursor={cursor_of(OFFSET + deep)}")
    assert [
        len(told[name][1].get("entry", ())) for name in ("first", "deep", "one patient", "nothing new")
    ] == [20, 20, 1, 0]
    blocks = {name: cost for name, (cost, _data) in told.items()}
    assert max(blocks.values()) < MOST_BLOCKS, f"{n} results in {whole} blocks; touched: {blocks}"
