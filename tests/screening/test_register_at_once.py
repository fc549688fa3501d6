"""A register file taken in one go: the same registry as when it is staged and applied, whatever comes in between."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.core.management import call_command
from django.db import DatabaseError, connection

from screening.models import (
    Person,
    PersonIdentifier,
    PostcodeFifth,
    RefusedLine,
    RegisterLoad,
    RegisterMemory,
    StagedPerson,
)
from screening.services import register_at_once, register_first
from screening.services.register import register_apply, register_stage
from screening.services.register_at_once import register_load
from screening.services.register_lines import COLUMNS
from screening.services.register_proof import register_compare
from staff.errors import RoundbookError
from staff.models import User
from tests.screening.test_register_first import by, everybody, shape, without_people

__all__ = ["by"]

FIXTURE = Path(__file__).resolve().parents[2] / "fixtures" / "register_500.csv"
Taken = Callable[[], RegisterLoad]


def lines(**changed: dict[str, str]) -> list[str]:
    """The fixture's lines; `changed` gives, by `line_7` and the like, what columns of a line say instead."""
    found = FIXTURE.read_text().strip().split("\n")
    for name, values in changed.items():
        at = int(name.removeprefix("line_")) - 1
        facts = dict(zip(COLUMNS, found[at].split(","), strict=True)) | values
        found[at] = ",".join(facts[c] for c in COLUMNS)
    return found


def content(found: list[str]) -> bytes:
    return ("\n".join(found) + "\n").encode()


ODD = lines(
    line_2={"deceased_on": "2026-01-05"},
    line_3={"left_area_on": "2026-02-01"},
    line_4={"left_area_on": "2030-02-01", "deceased_on": ""},
    line_5={"address_1": "", "address_2": "", "postcode": ""},
    line_6={"birth_date": ""},
    line_7={"family_name": "Åkelund", "given_names": "Zoë"},
    line_8={"practice_code": "P99"},
    line_9={"practice_code": "", "area_code": "", "language": "pt-BR"},
    line_10={"person_number": "123456789012"},
    line_11={"birth_date": "1962-02-30"},
)
FILES = {
    "plain": content(lines()),
    "odd": content(ODD),
    "quoted": content([ODD[0], *(f'"{x.split(",", 1)[0]}",{x.split(",", 1)[1]}' for x in ODD[1:])]),
    "comma": content([*ODD[:20], ODD[20].replace(",", ',"Orle, ""the elder""",', 1).replace(f",{ODD[20].split(',')[1]},", ",", 1), *ODD[21:]]),
    "windows": content(ODD).replace(b"\n", b"\r\n"),
    "blanks": content([*ODD[:40], "", f" {ODD[40]}".replace(",", " , ").strip(), *ODD[41:]]),
    "twice": content([*ODD, ODD[30]]),
    "all wrong": content([ODD[0], *(x.replace(",", ";") for x in ODD[1:])]),
}  # fmt: skip


def kept() -> list[Any]:
    """All that a load leaves behind, but for ids and moments."""
    load = RegisterLoad.objects.get(status="applied")
    facts = (
        "sha256",
        "is_full",
        "lines",
        "refused",
        "created",
        "changed",
        "unchanged",
        "effect",
        "as_before",
        "missing",
        "staged_by",
    )
    staged = [f.attname for f in StagedPerson._meta.concrete_fields if f.attname != "load_id"]
    memory = RegisterMemory.objects.values_list("version", "rules", "whole_on", "told")
    return [
        everybody(),
        [getattr(load, fact) for fact in facts],
        list(StagedPerson.objects.filter(load=load).order_by("line").values_list(*staged)),
        list(RefusedLine.objects.filter(load=load).order_by("line", "code").values_list("line", "code", "sentence", "raw")),
        [(version, rules, day, bytes(told)) for version, rules, day, told in memory],
    ]  # fmt: skip


@pytest.fixture
def ways(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Which way every file went: laid down as it was read, or staged."""
    found: list[str] = []

    def watched(name: str, work: Callable[..., Any]) -> None:
        def noted(*given: Any, **more: Any) -> Any:
            done = work(*given, **more)
            found.append(name if done else f"not {name}")
            return done

        monkeypatch.setattr(register_at_once, work.__name__, noted)

    watched("read", register_at_once._first_load)
    watched("staged", register_at_once.register_stage)
    return found


@pytest.mark.parametrize("name", FILES)
def test_what_is_laid_down_as_it_is_read_is_what_staging_and_applying_leaves(
    by: User, ways: list[str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    before = shape()
    PostcodeFifth.objects.create(postcode=ODD[12].split(",")[COLUMNS.index("postcode")], fifth=2)
    monkeypatch.setattr(register_at_once, "TOGETHER", 120)
    monkeypatch.setattr(register_at_once, "FIRST", 1 / 200)
    load = register_load(by=by, content=FILES[name], file_name="first.csv")
    assert ways == (["not read", "staged"] if name == "twice" else ["read"])
    assert (load.status, load.applied_by, load.lines > 490) == ("applied", by, True)
    assert shape() == before
    at_once = kept()
    comparison = register_compare(by=by)
    assert (comparison.people, comparison.differing, comparison.lost) == (load.created, 0, 0)
    without_people()
    monkeypatch.setattr(register_first, "MANY", 1_000_000)
    register_apply(by=by, load=register_stage(by=by, content=FILES[name], file_name="first.csv"))
    assert kept() == at_once


def test_the_next_person_and_the_next_file_go_on_from_there(by: User, ways: list[str]) -> None:
    register_load(by=by, content=FILES["odd"], file_name="first.csv")
    again = register_load(by=by, content=FILES["odd"] + b"\n", file_name="second.csv")
    assert (again.status, again.as_before, again.changed, again.created) == ("applied", 498, 0, 0)
    assert ways == ["read", "staged"]
    another = Person.objects.create(family_name="Tolvane", given_names="Marra")
    number = PersonIdentifier.objects.create(person=another, scheme="x", value="1", valid_from="2026-01-01")
    assert not Person.objects.filter(pk__gt=another.pk).exists()
    assert not PersonIdentifier.objects.filter(pk__gt=number.pk).exists()


def test_a_file_that_waits_is_applied_and_not_read_anew(by: User, ways: list[str]) -> None:
    waiting = register_stage(by=by, content=FILES["odd"], file_name="first.csv")
    load = register_load(by=by, content=FILES["odd"], file_name="again.csv")
    assert (load.pk, load.status, load.created) == (waiting.pk, "applied", 498)
    assert register_load(by=by, content=FILES["odd"], file_name="again.csv").pk == waiting.pk
    assert ways == ["not read", "staged", "staged"]


def test_a_file_that_changes_too_much_waits_for_a_second_person(by: User) -> None:
    register_load(by=by, content=FILES["plain"], file_name="first.csv")
    moved = FILES["plain"].replace(b" Row,", b" Walk,").replace(b" Lane,", b" Walk,")
    load = register_load(by=by, content=moved, file_name="moved.csv")
    assert load.status == "held"
    assert load.applied_at is None


def test_while_another_is_at_the_tables_the_file_is_staged(
    by: User, ways: list[str], as_owner: psycopg.Connection
) -> None:
    before = shape()
    with as_owner.transaction():
        as_owner.execute("LOCK TABLE screening_area IN ACCESS SHARE MODE")
        assert register_load(by=by, content=FILES["odd"], file_name="first.csv").created == 498
    assert ways == ["not read", "staged"]
    assert (Person.objects.count(), shape()) == (498, before)


def _dies(*_args: object, **_named: object) -> None:
    raise RuntimeError("died")


@pytest.mark.parametrize("where", ["memory.remember", "refused_copied", "FirstRows.people", "FirstRows.numbers", "staged_bodies"])  # fmt: skip
def test_what_dies_half_way_leaves_the_registry_empty(
    by: User, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    before = shape()
    with monkeypatch.context() as broken:
        broken.setattr(f"screening.services.register_at_once.{where}", _dies)
        with pytest.raises(RuntimeError, match="died"):
            register_load(by=by, content=FILES["odd"], file_name="first.csv")
    assert (Person.objects.count(), StagedPerson.objects.count(), RegisterLoad.objects.count(), shape()) == (0, 0, 0, before)  # fmt: skip
    assert register_load(by=by, content=FILES["odd"], file_name="first.csv").created == 498


def test_a_row_that_breaks_a_key_is_not_kept(by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    before = shape()
    rows = register_at_once.FirstRows.numbers
    monkeypatch.setattr(
        register_at_once.FirstRows, "numbers", lambda self, some: rows(self, some[:1]) if some.height else b""
    )
    monkeypatch.setattr(register_at_once.FirstRows, "people", lambda self, read: b"")
    with pytest.raises(DatabaseError, match="person_id"):
        register_load(by=by, content=FILES["plain"], file_name="first.csv")
    assert (Person.objects.count(), RegisterLoad.objects.count(), shape()) == (0, 0, before)


def test_a_file_that_stops_being_text_far_down_leaves_nothing(
    by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = shape()
    monkeypatch.setattr(register_at_once, "FIRST", 1 / 200)
    with pytest.raises(RoundbookError, match="byte 0xFF on line 502"):
        register_load(by=by, content=FILES["plain"] + b"\xff\xfe\n", file_name="first.csv")
    assert (Person.objects.count(), StagedPerson.objects.count(), shape()) == (0, 0, before)


def test_the_command_takes_the_first_register_in_one_go(
    by: User, ways: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "first.csv"
    file.write_bytes(FILES["odd"])
    call_command("load_register", str(file), "--by", by.username, "--yes", "--dry-run")
    assert (Person.objects.count(), RegisterLoad.objects.count()) == (0, 0)
    call_command("load_register", str(file), "--by", by.username, "--yes")
    assert "Applied. lines 500, created 498" in capsys.readouterr().out
    call_command("load_register", str(file), "--by", by.username, "--yes")
    assert "was applied before" in capsys.readouterr().out
    assert ways[:2] == ["read", "read"]
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM screening_person")
        assert cursor.fetchone() == (498,)
