"""A register file taken in one go: staged and, unless it is held, applied at once.

The first people of a registry, where there is nothing to compare a file with, are laid down as they are read: while the
server takes some lines, the next ones are read.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import date
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Self

import psycopg
from django.db import connection, transaction
from django.db.models.sql import InsertQuery

from screening.models import RegisterLoad
from screening.services import register_first as first
from screening.services import register_memory as memory
from screening.services.register import FOUND_AGAIN, one_at_a_time, register_apply, register_stage
from screening.services.register_copy import SaidTwice, refused_copied, staged_bodies
from screening.services.register_first_rows import COPY_NUMBERS, COPY_PEOPLE, FirstRows
from screening.services.register_lines import file_parts
from screening.services.register_read import ReadFile, Refused, lines_read
from screening.services.register_sql import COPY_STAGED
from screening.services.register_write import answers_to
from staff.acting import Acting, acting
from staff.models import User
from staff.threads import threads_handing_over, with_room

if TYPE_CHECKING:
    import polars as pl

FIRST = 3 / 8
"""So much of a part is read first: about what can be while the keys are taken away."""
ON_THE_WAY = 12
"""So many things wait for the server at most."""
TOGETHER = 150_000
"""So many lines are laid down before the people on them, so that the server is busy while their next dates are worked out."""
_TABLES = (first.PEOPLE, first.NUMBERS, first.LINES)


class _NotAlone(Exception):
    """Somebody else is at the tables."""


def register_load(*, by: User, content: bytes, file_name: str, is_full: bool = False) -> RegisterLoad:
    """Stage a file and apply it in the same transaction, unless it is held: then it waits for its second person.

    Who wants to see first what a file would do calls `register_stage` and `register_apply`. RoundbookError as there.
    """
    with acting(by, reason="register file") as frame:
        one_at_a_time()
        if first.nobody_yet() and first.many_lines(content):
            load = _first_load(frame, content, file_name, is_full=is_full)
            if load is not None:
                return load
        load = register_stage(by=by, content=content, file_name=file_name, is_full=is_full)
        if load.status == RegisterLoad.Status.STAGED:
            load = register_apply(by=by, load=load)
    return load


def _first_load(frame: Acting, content: bytes, file_name: str, *, is_full: bool) -> RegisterLoad | None:
    """The load of the first people, applied; None where the ordinary way is needed, as for a file that may be known."""
    if RegisterLoad.objects.filter(status__in=FOUND_AGAIN).exists():
        return None
    rows = FirstRows(frame.today, answers_to(on=frame.today))
    load = RegisterLoad(
        pk=rows.load, file_name=file_name[:200], is_full=is_full, status=RegisterLoad.Status.APPLIED,
        staged_by=frame.by, staged_at=frame.now, applied_by=frame.by, applied_at=frame.now,
    )  # fmt: skip
    try:
        with (
            transaction.atomic(),
            acting(frame.by, reason=f"register load {load.pk}"),
            connection.wrap_database_errors,
        ):
            told = _FirstLoad(load, rows, frame.today).laid(content)
    except (SaidTwice, _NotAlone):
        return None
    load._state.adding = False
    memory.remember(load, on=frame.today, told=told)
    return load


class _FirstLoad:
    """Lays down many lines and the numbers on them, then the people, whose next dates are worked out meanwhile."""

    def __init__(self, load: RegisterLoad, rows: FirstRows, today: date) -> None:
        self._load, self._rows, self._today = load, rows, today
        self._refused: list[Refused] = []
        self._told: list[pl.DataFrame] = []
        self._numbers: list[pl.Series] = []
        self._without_people: list[ReadFile] = []

    def laid(self, content: bytes) -> pl.DataFrame:
        """The digests of the lines; _NotAlone where the tables are not ours alone, SaidTwice where a number stands twice."""
        import polars as pl

        with threads_handing_over(), _Server() as server:
            server.agrees("SELECT screening_keys_away(%s)", [list(_TABLES)])
            for lines in file_parts(content, first=FIRST):
                read = lines_read(lines, today=self._today, areas=self._rows.areas)
                server.takes(COPY_STAGED, staged_bodies(self._load, read))
                server.takes(COPY_NUMBERS, [self._rows.numbers(read.accepted)])
                self._kept(lines, read)
                if sum(some.accepted.height for some in self._without_people) >= TOGETHER:
                    self._people_laid(server)
            if pl.concat(self._numbers).is_duplicated().any():
                raise SaidTwice
            alone = self._load.lines < TOGETHER
            server.asks("SELECT screening_keys_back(%s, %s)", [[first.LINES, first.NUMBERS], alone])
            self._people_laid(server)
            self._load_laid(server, content)
            server.asks("SELECT screening_keys_back()")
            told = pl.concat(self._told)
        if self._refused:
            refused_copied(self._load, self._refused)
        return told

    def _load_laid(self, server: _Server, content: bytes) -> None:
        """Keep the load itself, to which its people will have a key."""
        load = self._load
        load.sha256, load.refused = sha256(content).hexdigest(), len(self._refused)
        load.created, load.effect = load.lines - load.refused, {"fields": {}, "deaths": 0, "leavers": 0}
        row = InsertQuery(RegisterLoad)
        row.insert_values(RegisterLoad._meta.concrete_fields, [load])
        ((statement, params),) = row.get_compiler(connection=connection).as_sql()
        server.asks(statement, params)

    def _kept(self, lines: pl.DataFrame, read: ReadFile) -> None:
        self._load.lines += lines.height
        self._refused += read.refused
        self._told.append(memory.digests_of(lines, read))
        self._numbers.append(read.numbers.hash())
        self._without_people.append(read)

    def _people_laid(self, server: _Server) -> None:
        for read in self._without_people:
            server.takes(COPY_PEOPLE, [self._rows.people(read)])
        self._without_people.clear()


class _Server:
    """Does one thing after the other while more is made ready; some of it waits, for more one has to wait.

    Meanwhile nobody else uses the connection.
    """

    def __init__(self) -> None:
        with_room(connection.connection)
        self._cursor, self._line = psycopg.Cursor(connection.connection), ThreadPoolExecutor(1)
        self._waiting: deque[Future[Any]] = deque()
        self._broken = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, broken: object, *_: object) -> None:
        self._line.shutdown(cancel_futures=broken is not None)
        while self._waiting and broken is None:
            self._waiting.popleft().result()

    def asks(self, statement: str, params: Sequence[Any] = ()) -> None:
        """Send a statement."""
        self._next(lambda: self._cursor.execute(statement.encode(), params))

    def agrees(self, statement: str, params: Sequence[Any] = ()) -> None:
        """Send a statement whose answer has to be yes; _NotAlone, sooner or later, and nothing done after it, where it is no."""
        self._next(lambda: self._agreed(statement, params))

    def _agreed(self, statement: str, params: Sequence[Any]) -> None:
        answer = self._cursor.execute(statement.encode(), params).fetchone()
        if answer != (True,):
            raise _NotAlone

    def takes(self, statement: str, bodies: Iterable[bytes]) -> None:
        """Send rows by a COPY. Raises what something earlier raised."""
        made = list(bodies)
        self._next(lambda: self._taken(statement, made))

    def _taken(self, statement: str, bodies: Iterable[bytes]) -> None:
        with self._cursor.copy(statement.replace("(FORMAT", "(FREEZE, FORMAT").encode()) as copy:
            for body in bodies:
                copy.write(body)

    def _next(self, work: Callable[[], Any]) -> None:
        if len(self._waiting) == ON_THE_WAY:
            self._waiting.popleft().result()
        self._waiting.append(self._line.submit(self._done, work))

    def _done(self, work: Callable[[], Any]) -> None:
        """Do it, unless something before it broke, which is what will be raised."""
        if self._broken:
            return
        self._broken = True
        work()
        self._broken = False
