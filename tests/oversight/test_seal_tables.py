"""Whatever is done behind the application's back to a row of any sealed table is found and named: every column, every table."""

from collections.abc import Iterator

import pytest
from django.db import connection

from oversight.models import ProofRun
from oversight.seal.tables import SealedTable, sealed_tables
from oversight.services.seal import seal_night
from oversight.services.seal_verify import seals_verify
from staff import clock
from staff.models import User
from tests.conftest import NOON
from tests.oversight.damaging import off, run, undone

pytestmark = [pytest.mark.timeout(900), pytest.mark.xdist_group("rehearsal")]

UNBOUND = """
DO $$ DECLARE c record; BEGIN
FOR c IN SELECT conrelid::regclass AS t, conname FROM pg_constraint
    WHERE contype IN ('f', 'c', 'u', 'x') AND conrelid::regclass::text = ANY('{tables}') AND conparentid = 0
    ORDER BY contype = 'u' LOOP
  EXECUTE format('ALTER TABLE %s DROP CONSTRAINT IF EXISTS %I CASCADE', c.t, c.conname); END LOOP;
FOR c IN SELECT indexrelid::regclass AS i FROM pg_index WHERE indisunique AND NOT indisprimary
    AND indrelid::regclass::text = ANY('{tables}') LOOP EXECUTE format('DROP INDEX %s', c.i); END LOOP;
END $$
"""
"""Whoever is behind the application's back can do this too: no key, check or foreign key of these tables stands in the way."""
SOME = {
    "text": "'x'", "character varying": "'x'", "character": "'x'", "boolean": "true", "jsonb": "'{}'", "bytea": r"'\x00'",
    "date": "'2026-01-05'", "timestamp with time zone": "'2026-01-05T08:00Z'", "time without time zone": "'08:00'", "uuid":
    "'00000000-0000-4000-8000-000000000000'", "ARRAY": "'{}'", "int4range": "'[1,2)'", "daterange": "'[2026-01-05,2026-01-06)'",
}  # fmt: skip
OTHER = {
    "boolean": "NOT {0}", "jsonb": """'{{"forged": true}}'""", "bytea": r"{0} || '\x00'", "date": "{0} + 1", "uuid": "gen_random_uuid()",
    "timestamp with time zone": "{0} + interval '1 second'", "time without time zone": "{0} + interval '1 minute'",
    "ARRAY": "{0} || {0}[1:1] || NULL", "int4range": "int4range(7, 9)", "daterange": "daterange('2020-01-01', '2020-01-02')",
}  # fmt: skip
TEXT = "CASE WHEN {0} LIKE '%%#' THEN left({0}, -1) || 'x' ELSE left({0}, -1) || '#' END"


def columns_of(table: str) -> list[tuple[str, str, bool]]:
    """Of each column its name, its type, and whether a row needs a value for it."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT column_name, data_type, is_nullable = 'NO' AND column_default IS NULL AND is_identity = 'NO'"
            " FROM information_schema.columns WHERE table_name = %s AND is_generated = 'NEVER' ORDER BY ordinal_position", [table],
        )  # fmt: skip
        return list(cursor.fetchall())


def filled_up(table: SealedTable) -> None:
    """One row in a table that the region left empty."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT 1 FROM {table.name} LIMIT 1")
        if cursor.fetchone() is None:
            values = {name: SOME.get(kind, "1") for name, kind, needed in columns_of(table.name) if needed}
            names = ", ".join(f'"{name}"' for name in values)
            cursor.execute(f"INSERT INTO {table.name} ({names}) VALUES ({', '.join(values.values())})")


def altered(table: SealedTable, column: str, kind: str) -> str:
    """The statement that changes one column of the row `pk`."""
    some = f'coalesce("{column}", {SOME.get(kind, "1")})'
    text = kind in {"text", "character varying", "character"}
    other = (TEXT if text else OTHER.get(kind, "{0} + 1")).format(some)
    return f'UPDATE {table.name} SET "{column}" = {other} WHERE {table.key} = %s'


@pytest.fixture(scope="module")
def sealed(as_owner_of_region: ProofRun) -> Iterator[list[tuple[SealedTable, int]]]:
    """Every sealed table with the number of one of its sealed rows; nothing guards them any more.

    Sealed once for every test here: each takes its own damage back.
    """
    tables = list(sealed_tables())
    with clock.at(NOON), undone():
        off(*(table.name for table in tables))
        with connection.cursor() as cursor:
            cursor.execute(UNBOUND.replace("{tables}", "{" + ",".join(table.name for table in tables) + "}"))
        for table in tables:
            filled_up(table)
        assert seal_night(by=User.objects.system(), day=clock.today()) is not None
        assert list(seals_verify()) == []
        chosen = []
        for table in tables:
            with connection.cursor() as cursor:
                cursor.execute(
                    f"SELECT {table.key} FROM {table.name} ORDER BY md5({table.key}::text) LIMIT 1"
                )
                chosen.append((table, cursor.fetchone()[0]))
        yield chosen


def found(table: SealedTable) -> list[tuple[str, int, str]]:
    return [(broken.table, broken.id, broken.how) for broken in seals_verify(only=[table.name])]


def test_a_change_of_any_column_of_any_table_is_named(sealed: list[tuple[SealedTable, int]]) -> None:
    missed, tried = [], 0
    for table, pk in sealed:
        kinds = {name: kind for name, kind, _needed in columns_of(table.name)}
        for column in (c for c in table.columns if c != table.key and c in kinds):
            with undone():
                run(altered(table, column, kinds[column]), pk)
                tried += 1
                if found(table) != [(table.name, pk, "altered")]:
                    missed.append(f"{table.name}.{column} ({kinds[column]})")
    assert missed == []
    assert tried > 500


def test_a_row_deleted_from_any_table_is_named(sealed: list[tuple[SealedTable, int]]) -> None:
    for table, pk in sealed:
        with undone():
            run(f"DELETE FROM {table.name} WHERE {table.key} = %s", pk)
            assert found(table) == [(table.name, pk, "deleted")]


def test_a_row_put_into_any_table_is_named(sealed: list[tuple[SealedTable, int]]) -> None:
    out_of_order = [table.name for table, _pk in sealed if not table.in_order]
    assert out_of_order == ["results_bracketedreading"], (
        "a row keyed by another's number may come at any time"
    )
    for table, pk in sealed:
        if not table.in_order:
            continue
        names = [name for name, _kind, _needed in columns_of(table.name)]
        columns = ", ".join(f'"{name}"' for name in names)
        copied = ", ".join("-5000" if name == table.key else f'"{name}"' for name in names)
        with undone():
            run(
                f"INSERT INTO {table.name} ({columns}) SELECT {copied} FROM {table.name} WHERE {table.key} = %s",
                pk,
            )
            assert found(table) == [(table.name, -5000, "inserted")]


def test_a_table_emptied_is_told_row_by_row(sealed: list[tuple[SealedTable, int]]) -> None:
    table = next(table for table, _pk in sealed if table.name == "outreach_lettermove")
    with undone():
        run("DELETE FROM outreach_lettermove")
        rows = found(table)
        assert len(rows) > 1000
        assert {how for _name, _pk, how in rows} == {"deleted"}
