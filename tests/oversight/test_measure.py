"""The measure command: every figure works at a small size, and leaves the database in use alone."""

import json
import os
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from oversight.measuring.database import PREFIX, owner_connection
from oversight.measuring.feed import feed_file
from oversight.measuring.figures import MEASUREMENTS
from screening.models import Person
from screening.serials import person_number_ok

SMOKE = ["register_first_load", "due", "batch", "moves", "scan_1", "readings"]
SLOWER = ["register_reload_1pct", "lab_flat", "queue_2000", "scan_flat", "dashboard_pages"]


@pytest.mark.timeout(280)
def test_figures_at_a_small_size(fresh_db: str) -> None:
    out = StringIO()
    call_command("measure", *SMOKE, "--people", "400", "--json", stdout=out, stderr=StringIO())
    rows = [json.loads(line) for line in out.getvalue().splitlines()]
    assert [row["name"] for row in rows] == SMOKE
    for row in rows:
        assert row["items"] > 0, row
        assert row["ratio"] > 0, row
        assert row["limit"] == MEASUREMENTS[row["name"]].limit
    assert rows[SMOKE.index("moves")]["p50_ms"] > 0
    assert connection.settings_dict["NAME"] == fresh_db
    assert not Person.objects.exists()
    with owner_connection() as admin:
        mine = f"{PREFIX}\\_work\\_{os.getpid()}\\_%"
        left = admin.execute("SELECT count(*) FROM pg_database WHERE datname LIKE %s", [mine])
        assert left.fetchone() == (0,)


@pytest.mark.campaign
@pytest.mark.timeout(280)
def test_the_slower_figures_at_a_small_size(fresh_db: str) -> None:
    out = StringIO()
    call_command("measure", *SLOWER, "--people", "4000", "--json", stdout=out, stderr=StringIO())
    rows = [json.loads(line) for line in out.getvalue().splitlines()]
    assert [row["name"] for row in rows] == SLOWER
    assert all(row["ratio"] > 0 for row in rows)


@pytest.mark.timeout(280)
def test_a_laboratorys_day_at_a_small_size(fresh_db: str) -> None:
    out = StringIO()
    call_command("measure", "lab_day", "--people", "400", "--json", stdout=out, stderr=StringIO())
    row = json.loads(out.getvalue())
    assert row["items"] == 40
    assert row["limit"] == MEASUREMENTS["lab_day"].limit
    assert row["ratio"] > 0


@pytest.mark.campaign
@pytest.mark.timeout(280)
def test_every_check_holds_over_the_years_laid_down_for_the_proof(fresh_db: str) -> None:
    out = StringIO()
    names = ["proof_full", "proof_incremental", "seal"]
    call_command("measure", *names, "--people", "2000", "--json", stdout=out, stderr=StringIO())
    full, changed, seal = (json.loads(line) for line in out.getvalue().splitlines())
    assert "not holding" not in full["limit"]
    assert full["items"] > 20 * 2000
    assert changed["items"] == 1000
    assert seal["items"] > 30_000
    assert "0 broken" in seal["limit"]


@pytest.mark.parametrize(
    ("names", "people", "words"),
    [
        (["shoe"], 2000, "There is no figure 'shoe'"),
        (["due"], 5, "Ask for 200 to"),
    ],
)
def test_what_cannot_be_measured_is_said(names: list[str], people: int, words: str) -> None:
    with pytest.raises(CommandError, match=words):
        call_command("measure", *names, "--people", str(people))


def test_the_invented_register_is_valid_and_the_same_every_time() -> None:
    lines = feed_file(50).decode().splitlines()
    assert feed_file(50) == feed_file(50)
    assert all(person_number_ok(line.split(",")[0]) for line in lines[1:])
    moved = feed_file(200, moved=1).decode().splitlines()
    assert sum(a != b for a, b in zip(moved, feed_file(200).decode().splitlines(), strict=True)) == 2
