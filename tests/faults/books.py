"""Copies of a database, digests of all it holds, and work that is broken off in the middle."""

import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import psycopg
from django.conf import settings
from django.db import connection
from psycopg import sql

from staff import clock
from tests.conftest import NOON, let_go, owner_url_for, use_database


def database_in_use() -> str:
    """The database this process's connections point at."""
    return str(settings.DATABASES["default"]["NAME"])


@contextmanager
def copied(original: str) -> Iterator[str]:
    """Work on a copy of a database that nobody uses; afterwards on what was used before."""
    before, name = database_in_use(), f"rbcopy_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(owner_url_for("postgres"), autocommit=True) as admin:
        admin.execute(
            sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(original))
        )
    use_database(name)
    try:
        yield name
    finally:
        use_database(before)
        let_go(name)


class Owner:
    """The owner's connection to the database in use: reads everything, ends sessions, turns sequences back."""

    def __init__(self, database: str) -> None:
        self.link = psycopg.connect(owner_url_for(database), autocommit=True)
        self.tables = [
            name
            for (name,) in self.link.execute(
                "SELECT c.oid::regclass::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
                " WHERE n.nspname = 'public' AND c.relkind = 'r' ORDER BY 1"
            ).fetchall()
        ]

    def digests(self) -> dict[str, str]:
        """Of every table, how many rows and a digest of all of them."""
        found = {}
        for table in self.tables:
            row = self.link.execute(
                f"SELECT count(*) || ' ' || md5(coalesce(string_agg(md5(t::text), '' ORDER BY md5(t::text)), ''))"
                f" FROM {table} t".encode()
            ).fetchone()
            found[table] = str(row[0]) if row else ""
        return found

    def numbers(self) -> dict[str, Any]:
        """Where every sequence stands."""
        rows = self.link.execute(
            "SELECT format('%I.%I', schemaname, sequencename), last_value FROM pg_sequences"
        )
        return dict(rows.fetchall())

    def turn_back(self, numbers: dict[str, Any]) -> None:
        """Let sequences go on where they stood: a rolled-back attempt leaves gaps, which would hide equality."""
        for name, value in numbers.items():
            self.link.execute("SELECT setval(%s::regclass, %s, %s)", [name, value or 1, value is not None])

    def end(self, pid: int, *, gently: bool) -> None:
        """Break off what a session is doing: cancel its statement, or end it altogether."""
        self.link.execute(f"SELECT pg_{'cancel' if gently else 'terminate'}_backend(%s)".encode(), [pid])

    def close(self) -> None:
        self.link.close()


@dataclass
class Attempt:
    """One try of some work in a thread of its own, broken off at a statement or after some time."""

    owner: Owner
    work: Callable[[], object]
    gently: bool = False
    at_statement: int | None = None
    after: float | None = None
    statements: int = 0
    trouble: BaseException | None = None
    _pid: int = 0
    _started: threading.Event = field(default_factory=threading.Event)

    def run(self) -> "Attempt":
        """Do it, and return when the thread has ended."""
        thread = threading.Thread(target=self._in_thread)
        thread.start()
        assert self._started.wait(20)
        if self.after is not None:
            time.sleep(self.after)
            if thread.is_alive():
                self.owner.end(self._pid, gently=self.gently)
        thread.join(60)
        assert not thread.is_alive(), "the work hangs"
        return self

    @property
    def was_broken_off(self) -> bool:
        return self.trouble is not None

    def _in_thread(self) -> None:
        try:
            with clock.at(NOON), connection.cursor() as cursor:
                cursor.execute("SELECT pg_backend_pid()")
                self._pid = cursor.fetchone()[0]
                self._started.set()
                with connection.execute_wrapper(self._counted):
                    self.work()
        except Exception as trouble:  # noqa: BLE001 - whatever the broken connection raised is kept and looked at
            self.trouble = trouble
        finally:
            self._started.set()
            connection.close()

    def _counted(self, execute: Any, statement: Any, params: Any, many: Any, context: Any) -> Any:
        self.statements += 1
        if self.statements == self.at_statement:
            self.owner.end(self._pid, gently=False)
            time.sleep(0.02)
        return execute(statement, params, many, context)
