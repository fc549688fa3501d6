"""The commands of the office: what they do, print and answer as exit status."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from screening.models import Batch, Lot, Person, RegisterLoad, Round
from screening.services.batches import kits_stock
from tests import cast, factories

pytestmark = pytest.mark.usefixtures("region")
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
Run = Callable[..., tuple[int, dict]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command with --json: (exit status, summary)."""

    def runs(*arguments: str) -> tuple[int, dict]:
        capsys.readouterr()
        status = 0
        try:
            call_command(*arguments, "--json")
        except SystemExit as error:
            status = int(str(error.code))
        except CommandError as error:
            return error.returncode, {"said": str(error)}
        return status, json.loads(capsys.readouterr().out)

    return runs


def fixture(name: str = "register_500.csv") -> str:
    return str(FIXTURES / name)


def test_a_register_is_loaded_once(run: Run) -> None:
    status, tried = run("load_register", fixture(), "--dry-run")
    assert (status, tried["created"], tried["dry_run"]) == (0, 500, True)
    assert not RegisterLoad.objects.exists()
    status, waiting = run("load_register", fixture())
    assert (status, waiting["status"], Person.objects.count()) == (0, "staged", 0), (
        "without --yes it only waits"
    )
    status, done = run("load_register", fixture(), "--yes", "--by", cast.ADMINISTRATOR)
    assert (status, done["status"], Person.objects.count()) == (0, "applied", 500)
    assert run("load_register", fixture(), "--yes")[1]["load"] == done["load"]


def test_a_held_file_answers_3_and_waits_for_a_second_person(run: Run, tmp_path: Path) -> None:
    run("load_register", fixture(), "--yes")
    changed = tmp_path / "delta.csv"
    changed.write_bytes(Path(fixture()).read_bytes().replace(b",en,", b",ar,", 30))
    assert run("load_register", str(changed), "--yes", "--by", cast.MANAGER)[0] == 3
    assert RegisterLoad.objects.get(status="held").staged_by.username == cast.MANAGER
    assert run("load_register", str(changed), "--release", "--by", cast.MANAGER)[1]["code"] == "second_person"
    assert run("load_register", str(changed), "--release", "--by", cast.ADMINISTRATOR)[0] == 0


@pytest.mark.parametrize("name", ["register_bad_header.csv", "register_bad_encoding.csv", "nowhere.csv"])
def test_a_file_that_cannot_be_read_answers_1(run: Run, name: str) -> None:
    assert run("load_register", fixture(name), "--yes")[0] == 1


def test_refused_lines_do_not_stop_a_file(run: Run) -> None:
    status, done = run("load_register", fixture("register_bad_rows.csv"), "--yes")
    assert (status, done["refused"], done["created"]) == (0, 21, 5)


def test_a_batch_is_opened_and_dispatched(run: Run) -> None:
    for _ in range(3):
        factories.a_person()
    assert run("open_batch", "3")[0] == 1, "no kits"
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    assert run("open_batch", "2", "--dry-run") == (
        0,
        {"batch": "260617-1", "size": 2, "asked_for": 2, "dry_run": True},
    )
    assert not Batch.objects.exists()
    assert run("open_batch", "2", "--area", "NOWHERE")[0] == 1
    assert run("open_batch", "2", "--by", "nobody")[0] == 1
    assert run("open_batch", "2", "--by", cast.MANAGER)[0] == 0
    assert run("dispatch", "260617-1", "--dry-run")[1]["sent_now"] == 2
    assert set(Round.objects.values_list("state", flat=True)) == {"kit_due"}
    assert run("dispatch", "260617-1")[1] == {
        "batch": "260617-1", "sent_now": 2, "people": 2, "sent": 2, "waiting": 0, "left_out": 0, "back": 0, "reasons": {},
        "dry_run": False,
    }  # fmt: skip
    assert run("dispatch", "260617-1")[1]["sent_now"] == 0
    assert Batch.objects.get().dispatched_on == date(2026, 6, 17)
    assert run("dispatch", "none")[0] == 1
