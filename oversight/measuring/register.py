"""Measures loading and reloading the register, and finding who is due."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from time import perf_counter

import psycopg
from django.db import connection

from oversight.measuring.bench import ROUNDS, Bench, Measured, bare_hands, with_peak, with_times
from oversight.measuring.database import empty_template, working_copy
from oversight.measuring.feed import feed_file, feed_parts
from oversight.measuring.region import lay_down
from screening.services.register import register_apply, register_stage
from screening.services.register_at_once import register_load
from screening.services.register_lines import COLUMNS
from staff import clock
from staff.models import User

TABLES = ("screening_person", "screening_personidentifier")
LEFT_BEHIND = ("screening_registerload", *TABLES, "screening_stagedperson")
"""What a load leaves behind: itself, people, their numbers, and its lines as evidence."""
MORE_ROUNDS, RELOADS, SHORT = 31, 9, (20_000, 200_000)
"""So many rounds, or rounds of a reload, where one takes about a second, which alone tells little on a machine that does other
things too; for how many people that is."""
COLUMNS_OF = """
SELECT string_agg(quote_ident(column_name), ', ' ORDER BY ordinal_position) FROM information_schema.columns
WHERE table_schema = 'public' AND table_name = %s
"""
INDEXES_OF = (
    "SELECT indexdef FROM pg_indexes WHERE schemaname = 'public' AND tablename = %s ORDER BY indexname"
)

KEYS_OF = """
SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE contype = 'f' AND conrelid = %s::regclass ORDER BY conname
"""
FEED_FACTS = {
    **{c: f"l.{c}" for c in ("family_name", "given_names", "address_1", "address_2", "locality", "postcode", "phone", "email", "language")},
    "name_key": "lower(l.family_name || ' ' || l.given_names)",
    "sex": "coalesce(nullif(l.sex, ''), 'unknown')",
    **{c: f"nullif(l.{c}, '')::date" for c in ("birth_date", "deceased_on", "left_area_on")},
    "area_id": "a.id", "practice_id": "pr.id", "deprivation_fifth": "f.fifth",
}  # fmt: skip
UPSERT = f"""
INSERT INTO {{into}} (id, {", ".join(FEED_FACTS)}, hidden_address, not_due_code)
SELECT i.person_id, {", ".join(FEED_FACTS.values())}, false, ''
FROM bare_lines l
JOIN screening_personidentifier i ON i.scheme = 'register' AND i.value = l.person_number AND i.valid_to IS NULL
LEFT JOIN screening_area a ON a.code = l.area_code
LEFT JOIN screening_practice pr ON pr.code = l.practice_code
LEFT JOIN screening_postcodefifth f ON f.postcode = l.postcode
ON CONFLICT (id) DO UPDATE SET {", ".join(f"{c} = excluded.{c}" for c in FEED_FACTS)}
"""
"""Everybody on a file, by their number, with what it says of them."""
UPSERT_NUMBERS = """
INSERT INTO {into} (id, person_id, scheme, value, valid_from)
SELECT nextval(pg_get_serial_sequence('screening_personidentifier', 'id')), i.person_id, i.scheme, l.person_number, i.valid_from
FROM bare_lines l
JOIN screening_personidentifier i ON i.scheme = 'register' AND i.value = l.person_number AND i.valid_to IS NULL
ON CONFLICT (value, scheme) WHERE valid_to IS NULL DO UPDATE SET person_id = excluded.person_id
"""
"""The number of everybody on a file, which is the other part of a register's row."""

Load = Callable[..., int]
"""Takes a register file (`content`, `by`, `second`); how many lines it had."""


def people_load(content: bytes, *, by: User, second: User) -> int:
    """A register file through the service: taken in one go, and released by a second person where it is held."""
    load = register_load(by=by, content=content, file_name="measure.csv")
    if load.status == load.Status.HELD:
        load = register_apply(by=second, load=load, override_hold=True)
    return load.lines


def people_load_apart(content: bytes, *, by: User, second: User) -> int:
    """The same staged first, so that it can be looked at, and applied then by a second person."""
    load = register_stage(by=by, content=content, file_name="measure.csv")
    return register_apply(by=second, load=load, override_hold=True).lines


def people_fill(people: int) -> None:
    """Fill an empty database with so many people, sixty days ago."""
    desk, second = User.objects.get(username="ansel"), User.objects.get(username="sefrin")
    for part in feed_parts(people):
        people_load(part, by=desk, second=second)


def first_load(bench: Bench) -> Measured:
    """A whole register into an empty database in one go, against COPY of the same rows as text."""
    return _first_load(bench, form="csv", keys=True)


def first_load_apart(bench: Bench) -> Measured:
    """The same staged and then applied, as by people who look at it in between."""
    return _first_load(bench, form="csv", keys=True, load=people_load_apart)


def first_load_rows(bench: Bench) -> Measured:
    """The same against rows made ready in the server's own binary form, into tables that get no keys to others."""
    return _first_load(bench, form="binary", keys=False)


def _first_load(bench: Bench, *, form: str, keys: bool, load: Load = people_load) -> Measured:
    content, empty = feed_file(bench.people), empty_template(lay_down=lay_down)

    def ours(_n: int) -> int:
        return load(content, by=bench.desk, second=bench.second)

    with working_copy(empty), bare_hands(by=bench.desk) as owner:
        ours(0)
        rows = [_rows_of(owner, table, form=form) for table in LEFT_BEHIND]

    def bare(_n: int) -> int:
        with bare_hands(by=bench.desk) as owner, owner.transaction():
            for table, content in zip(LEFT_BEHIND, rows, strict=True):
                _like(owner, table)
                _rows_into(owner, f"bare_{table}", content, form=form)
                for statement in [*_indexes(owner, table), *(_keys(owner, table) if keys else [])]:
                    owner.execute(statement)
        return bench.people

    rounds = _rounds(bench, MORE_ROUNDS)
    return with_peak(bench.race(ours, bare, around=lambda: working_copy(empty), rounds=rounds))


def _rounds(bench: Bench, more: int) -> int:
    return more if SHORT[0] <= bench.people <= SHORT[1] else ROUNDS


def _rows_of(owner: psycopg.Connection, table: str, *, form: str = "binary") -> bytes:
    """All rows of a table as COPY gives and takes them."""
    rows = f"COPY (SELECT {', '.join(_columns(owner, table))} FROM {table}) TO STDOUT (FORMAT {form})"
    with owner.cursor() as cursor, cursor.copy(rows.encode()) as copy:
        return b"".join(bytes(part) for part in copy)


def _columns(owner: psycopg.Connection, table: str) -> list[str]:
    found = owner.execute(COLUMNS_OF, [table]).fetchone()
    return str(found[0]).split(", ") if found else []


def _rows_into(owner: psycopg.Connection, table: str, rows: bytes, *, form: str = "binary") -> None:
    with owner.cursor() as cursor, cursor.copy(f"COPY {table} FROM STDIN (FORMAT {form})".encode()) as copy:
        copy.write(rows)


def _like(owner: psycopg.Connection, table: str) -> None:
    """A table of the same columns and checks as one of ours, without keys, indexes and triggers."""
    made = f"CREATE TABLE bare_{table} (LIKE {table} INCLUDING DEFAULTS INCLUDING CONSTRAINTS)"
    owner.execute(made.encode())


def _indexes(owner: psycopg.Connection, table: str) -> list[bytes]:
    """What builds our table's indexes on its bare like."""
    found = owner.execute(INDEXES_OF, [table]).fetchall()
    return [
        d.replace(f" ON public.{table} ", f" ON bare_{table} ").replace(" INDEX ", " INDEX bare_", 1).encode()
        for (d,) in found
    ]


def _keys(owner: psycopg.Connection, table: str) -> list[bytes]:
    """What gives the bare like our table's keys to others; a key to what a load leaves behind becomes one to its bare like."""
    keys = [key for (key,) in owner.execute(KEYS_OF, [table]).fetchall()]
    for left in LEFT_BEHIND:
        keys = [key.replace(f"REFERENCES {left}(", f"REFERENCES bare_{left}(") for key in keys]
    return [f"ALTER TABLE bare_{table} ADD {key}".encode() for key in keys]


def reload_one_percent(bench: Bench) -> Measured:
    """The register again with one person in a hundred moved; each round moves others.

    As on any night but one a week: a file is read line by line before.
    """
    return with_peak(_reloaded(bench, _moved(bench), TABLES))


def reload_against_people(bench: Bench) -> Measured:
    """The same against upserting the people's own rows and not their numbers."""
    return with_peak(_reloaded(bench, _moved(bench), TABLES[:1]))


def _moved(bench: Bench) -> list[bytes]:
    return [feed_file(bench.people, moved=n + 1) for n in range(_rounds(bench, RELOADS))]


def reload_same(bench: Bench) -> Measured:
    """The register again with nobody changed, in another order so that the file is not known; as on any night but one a week."""
    files = [feed_file(bench.people, backwards=True) + b"\n" * n for n in range(_rounds(bench, RELOADS))]
    return _reloaded(bench, files, TABLES)


def _reloaded(bench: Bench, files: Sequence[bytes], tables: Sequence[str]) -> Measured:
    """Each round's file through the service, in a race with upserting everybody on it into these tables."""
    today = feed_file(bench.people) + b"\n"  # without that it would be the file laid down, known and not read
    people_load(today, by=bench.desk, second=bench.second)
    with bare_hands(by=bench.desk) as owner:
        everybody = _Everybody(owner, files, tables)
        return bench.race(
            lambda n: people_load(files[n], by=bench.desk, second=bench.second),
            lambda n: everybody.upserted(n, ""),
            untriggered=lambda n: everybody.upserted(n, "bare_"),
            around=everybody.swept,
            rounds=len(files),
        )


class _Everybody:
    """The limit of a reload: the same file copied in as it is, unchecked, and everybody on it upserted into the register.

    Beside our tables stand others with the columns, checks and indexes of ours, without triggers and keys to other
    tables. The upsert is taken back at the end, so that the register stays as our own loads left it.
    """

    def __init__(self, owner: psycopg.Connection, files: Sequence[bytes], tables: Sequence[str]) -> None:
        self._owner, self._files = owner, files
        self._upserts = dict(zip(TABLES, (UPSERT, UPSERT_NUMBERS), strict=True))
        self._tables = tables
        for table in tables:
            _like(owner, table)
            _rows_into(owner, f"bare_{table}", _rows_of(owner, table))
            for statement in _indexes(owner, table):
                owner.execute(statement)

    @contextmanager
    def swept(self) -> Iterator[None]:
        """One round: what upserts left behind is swept up before and after it."""
        self._sweep()
        yield
        self._sweep()

    def _sweep(self) -> None:
        for table in self._tables:
            self._owner.execute(f"VACUUM ANALYZE {table}, bare_{table}".encode())

    def upserted(self, n: int, prefix: str) -> int:
        """How many people of a round's file were upserted, into our own tables or the bare ones."""
        copied = f"COPY bare_lines FROM STDIN (FORMAT csv, HEADER, FORCE_NOT_NULL ({', '.join(COLUMNS)}))"
        with self._owner.transaction(force_rollback=True):
            self._owner.execute(f"CREATE TEMP TABLE bare_lines ({' text, '.join(COLUMNS)} text)".encode())
            with self._owner.cursor() as cursor, cursor.copy(copied.encode()) as copy:
                copy.write(self._files[n].rstrip(b"\n"))
            self._owner.execute(b"SET LOCAL enable_nestloop = off")
            written = [
                self._owner.execute(self._upserts[table].format(into=prefix + table).encode()).rowcount
                for table in self._tables
            ]
            return min(written)


DUE_LIST = "SELECT id FROM screening_person WHERE next_due_on <= %(today)s"
DUE_FROM_HISTORY = """
SELECT p.id FROM screening_person p
WHERE p.birth_date BETWEEN %(today)s::date - interval '75 years' AND %(today)s::date - interval '50 years'
  AND p.deceased_on IS NULL AND p.left_area_on IS NULL AND p.merged_into_id IS NULL AND p.address_1 <> ''
  AND NOT EXISTS (SELECT 1 FROM screening_round r WHERE r.person_id = p.id
                  AND (r.state <> 'closed' OR r.invited_on > %(today)s::date - interval '24 months'))
  AND NOT EXISTS (SELECT 1 FROM screening_stop o WHERE o.person_id = p.id AND o.scope = 'invitations')
  AND NOT EXISTS (SELECT 1 FROM screening_exclusion e WHERE e.person_id = p.id)
"""


DUE_FIRST = f"{DUE_LIST} ORDER BY next_due_on, id LIMIT 10000"
LOOKS = 25


def due(bench: Bench) -> Measured:
    """The whole list of people due today, in the race; one by one, the times of its first 10,000, longest overdue first.

    The maintained list has to be the one from history, person for person; LookupError when it is not.
    """

    def listed(statement: str) -> list[tuple[int]]:
        with connection.cursor() as cursor:
            cursor.execute(statement, {"today": clock.today()})
            return list(cursor.fetchall())

    kept, told = set(listed(DUE_LIST)), set(listed(DUE_FROM_HISTORY))
    if kept != told:
        raise LookupError(f"{len(kept ^ told)} people stand on one list only.")
    found = bench.race(lambda _n: len(listed(DUE_LIST)), lambda _n: len(listed(DUE_FROM_HISTORY)))
    listed(DUE_FIRST)
    return with_times(found, [_timed_look(lambda: listed(DUE_FIRST)) for _ in range(LOOKS)])


def _timed_look(look: Callable[[], object]) -> float:
    began = perf_counter()
    look()
    return perf_counter() - began
