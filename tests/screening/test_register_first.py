"""The first people of a registry, laid in as a set: the same people as in the ordinary way, and nothing lost of keys and indexes."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.db import DatabaseError, connection, transaction

from oversight.rehearsal.setting import region_lay_down
from screening.models import Person, PersonIdentifier, RegisterLoad, RegisterMemory, StagedPerson
from screening.services import register, register_first
from screening.services.register import register_apply, register_effect, register_stage
from screening.services.register_first import LINES, NUMBERS, PEOPLE, first_people, keys_away
from screening.services.register_lines import COLUMNS
from screening.services.register_proof import register_compare
from staff.models import User
from tests import cast
from tests.conftest import FIRST_DAY

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
SHAPE = """
SELECT indexrelid::regclass::text, pg_get_indexdef(indexrelid), indisvalid AND indisready FROM pg_index
WHERE indrelid IN ('screening_person'::regclass, 'screening_personidentifier'::regclass, 'screening_stagedperson'::regclass)
UNION ALL
SELECT conname, pg_get_constraintdef(oid), convalidated FROM pg_constraint
WHERE conrelid IN ('screening_person'::regclass, 'screening_personidentifier'::regclass, 'screening_stagedperson'::regclass)
    OR confrelid IN ('screening_person'::regclass, 'screening_personidentifier'::regclass)
ORDER BY 1, 2
"""
TWICE = """
INSERT INTO screening_stagedperson (load_id, line, person_number, family_name, given_names, name_key, sex, address_1, address_2,
    locality, postcode, phone, email, language, area_code, practice_code)
SELECT 1, 2, '', '', '', '', '', '', '', '', '', '', '', '', '', '' FROM generate_series(1, 2)
"""
OTHER_WORDS = "INSERT INTO screening_key_away VALUES (1, NULL, '', 'CREATE TABLE public.mine (n int)')"


@pytest.fixture
def by(fresh_db: str, monkeypatch: pytest.MonkeyPatch) -> User:
    """The register's desk in a registry without people; a file of a hundred lines is a large one."""
    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
    monkeypatch.setattr(register_first, "MANY", 100)
    return cast.member(cast.ADMINISTRATOR)


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[int | None]:
    """What every call that lays people in as a set gave."""
    found: list[int | None] = []

    def watched(*given: Any) -> int | None:
        found.append(first_people(*given))
        return found[-1]

    monkeypatch.setattr(register_first, "first_people", watched)
    return found


def staged(by: User, *, broken: bool = False) -> RegisterLoad:
    lines = (FIXTURES / "register_500.csv").read_text().strip().split("\n")
    if broken:
        lines[5] = lines[5].replace(",", ";")
        lines[9] = ",".join(
            "P99" if c == "practice_code" else v for c, v in zip(COLUMNS, lines[9].split(","), strict=True)
        )
    return register_stage(by=by, content="\n".join(lines).encode(), file_name="first.csv")


def shape() -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(SHAPE)
        return list(cursor.fetchall())


def everybody() -> list[Any]:
    facts = [f.attname for f in Person._meta.concrete_fields if f.attname not in {"id", "last_feed_id"}]
    return sorted(
        Person.objects.values_list("identifiers__value", "identifiers__valid_from", *facts), key=repr
    )


def without_people() -> None:
    Person.objects.update(last_feed=None)
    PersonIdentifier.objects.all().delete()
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM screening_person")
    RegisterLoad.objects.all().delete()
    RegisterMemory.objects.all().delete()


def test_the_first_people_are_those_of_the_ordinary_way(
    by: User, made: list[int | None], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = shape()
    load = staged(by, broken=True)
    effect = register_effect(load)
    assert (effect.created, effect.changed, effect.unknown_practices) == (499, 0, 1)
    done = register_apply(by=by, load=load)
    assert made == [499]
    assert (done.lines, done.refused, done.created, done.changed, done.unchanged) == (500, 1, 499, 0, 0)
    assert shape() == before
    as_a_set = everybody()
    assert sum(1 for person in as_a_set if person) == 499
    comparison = register_compare(by=by)
    assert (comparison.people, comparison.differing, comparison.lost) == (499, 0, 0)
    another = Person.objects.create(family_name="Tolvane", given_names="Marra")
    assert another.pk > Person.objects.exclude(pk=another.pk).order_by("-pk")[0].pk
    without_people()
    monkeypatch.setattr(register_first, "MANY", 1_000_000)
    register_apply(by=by, load=staged(by, broken=True))
    assert made == [499]
    assert everybody() == as_a_set


def test_earlier_rounds_that_follow_leave_everybody_without_a_date(by: User, made: list[int | None]) -> None:
    register_apply(by=by, load=staged(by), history_follows=True)
    assert made == [500]
    assert not Person.objects.exclude(next_due_on=None).exists()


def test_nothing_is_laid_bare_where_somebody_is_known(by: User, made: list[int | None]) -> None:
    Person.objects.create(family_name="Tolvane", given_names="Marra")
    load, before = staged(by), shape()
    assert register_effect(load).created == 500
    with transaction.atomic(), keys_away(PEOPLE) as away:
        assert not away
    register_apply(by=by, load=load)
    assert not made
    assert (Person.objects.count(), shape()) == (501, before)


def test_while_another_is_at_the_people_the_file_goes_the_ordinary_way(
    by: User, made: list[int | None], as_owner: psycopg.Connection
) -> None:
    load, before = staged(by), shape()
    with as_owner.transaction():
        as_owner.execute("LOCK TABLE screening_area IN ACCESS SHARE MODE")
        assert register_apply(by=by, load=load).created == 500
    assert made == [None]
    assert (Person.objects.count(), shape()) == (500, before)


def _dies(*_args: object, **_named: object) -> None:
    raise RuntimeError("died")


def _twice(load: RegisterLoad) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE screening_stagedperson SET person_number = (SELECT min(person_number) FROM screening_stagedperson)"
            " WHERE load_id = %s AND line IN (2, 3)",
            [load.pk],
        )


@pytest.fixture(params=["dies", "breaks"])
def damage(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[RegisterLoad], None]]:
    """What goes wrong with a staged load: the process dies after its people are in, or a number stands twice after all."""
    if request.param == "dies":
        yield lambda _load: monkeypatch.setattr(register.memory, "remember", _dies)
    else:
        yield _twice


def test_what_breaks_half_way_leaves_the_registry_as_it_was(
    by: User, damage: Callable[[RegisterLoad], None]
) -> None:
    load, before = staged(by), shape()
    damage(load)
    with pytest.raises((RuntimeError, DatabaseError)):
        register_apply(by=by, load=load)
    assert (Person.objects.count(), PersonIdentifier.objects.count(), shape()) == (0, 0, before)


@transaction.atomic
def _kept_without_keys() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT screening_keys_away(%s)", [[PEOPLE, NUMBERS]])
        assert cursor.fetchone()[0]
    assert not {name for name, *_ in shape()} & {"person_by_name", "screening_person_pkey"}
    Person.objects.create(family_name="Tolvane", given_names="Marra")


@transaction.atomic
def _done_without_keys(table: str, statement: str) -> None:
    with keys_away(table) as away, connection.cursor() as cursor:
        assert away
        cursor.execute(statement)


@transaction.atomic
def _said_by_another(then: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "CREATE TEMP TABLE screening_key_away (turn int, holder regclass, gone text, back text) ON COMMIT DROP"
        )
        cursor.execute(OTHER_WORDS)
        cursor.execute(then)


def test_nothing_is_kept_while_keys_are_away(by: User) -> None:
    before = shape()
    with pytest.raises(DatabaseError, match="have to be back"):
        _kept_without_keys()
    assert (Person.objects.count(), shape()) == (0, before)


def test_what_breaks_a_key_while_it_is_away_is_raised_as_it_comes_back(by: User) -> None:
    before = shape()
    with pytest.raises(DatabaseError, match="screening_stagedperson_pkey"):
        _done_without_keys(LINES, TWICE)
    assert shape() == before


def test_keys_that_come_back_alone_leave_later_ones_their_helpers(by: User) -> None:
    before = shape()
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL max_parallel_maintenance_workers = 3")
        cursor.execute("SELECT screening_keys_away(%s)", [[LINES, PEOPLE]])
        cursor.execute("SELECT screening_keys_back(%s, true)", [[LINES]])
        cursor.execute("SELECT current_setting('max_parallel_maintenance_workers')")
        assert cursor.fetchone() == ("3",)
        cursor.execute("SELECT screening_keys_back()")
    assert shape() == before


@pytest.mark.parametrize("names", [["screening_round"], [PEOPLE, "screening_kit"], ["staff_user"]])
def test_the_keys_of_other_tables_stay(by: User, names: list[str]) -> None:
    with pytest.raises(DatabaseError, match="stay"), transaction.atomic(), keys_away(*names):
        pytest.fail("went away")


def test_who_sees_an_older_state_calls_no_table_empty(by: User, as_owner: psycopg.Connection) -> None:
    """A person whom another has just kept, unseen by an older look, is not swept away."""
    as_owner.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
    with as_owner.transaction(force_rollback=True):
        as_owner.execute("SELECT count(*) FROM screening_person")
        Person.objects.create(family_name="Tolvane", given_names="Marra")
        with pytest.raises(psycopg.errors.RaiseException, match="may call a table empty"):
            as_owner.execute("SELECT screening_keys_away(ARRAY['screening_person'])")
    assert Person.objects.count() == 1


def test_nobody_else_says_what_comes_back(by: User) -> None:
    """It is read from a table that only the owner can have made and filled, so nobody has the owner run something else."""
    with pytest.raises(DatabaseError, match="No keys are away"):
        _said_by_another("SELECT screening_keys_back()")
    with pytest.raises(DatabaseError, match="Another table stands"):
        _said_by_another(f"SELECT screening_keys_away(ARRAY['{LINES}'])")
    with pytest.raises(DatabaseError, match="permission denied"):
        _done_without_keys(LINES, OTHER_WORDS)


def test_a_line_that_came_plain_is_staged_as_one_that_had_to_be_changed(by: User) -> None:
    plain = staged(by)
    lines = (FIXTURES / "register_500.csv").read_text().strip().split("\n")
    quoted = [
        lines[0],
        *(f'"{line.split(",")[0]}",{line.split(",", 1)[1].replace(",,", ", ,")}' for line in lines[1:]),
    ]
    changed = register_stage(by=by, content="\n".join(quoted).encode(), file_name="quoted.csv")
    columns = [f.attname for f in StagedPerson._meta.concrete_fields if f.attname != "load_id"]
    rows = [
        list(StagedPerson.objects.filter(load=load).order_by("line").values_list(*columns))
        for load in (plain, changed)
    ]
    assert len(rows[0]) == 500
    assert rows[0] == rows[1]
