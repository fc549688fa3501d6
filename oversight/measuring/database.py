"""Throw-away databases for measuring: a migrated template, a filled one for each size, and working copies."""

import hashlib
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from time import sleep
from urllib.parse import urlsplit, urlunsplit

import psycopg
from django.conf import settings
from django.db import connection, connections
from psycopg import sql

from staff.errors import RoundbookError

PREFIX = "rbmeasure" + ("test" if os.environ.get("ROUNDBOOK_ENV") == "test" else "")
"""A test's databases have names of their own, so that no test takes a large one away that was filled for measuring."""
LOCK = 726_301
SHAPES = (
    "*/migrations/*.py",
    "*/states.py",
    "*/apps.py",
    "*/walls.py",
    "staff/ledger/*.py",
    "screening/services/register_[fs]*.py",
    "oversight/measuring/feed.py",
    "oversight/measuring/proof_fill.py",
    "oversight/measuring/years.py",
    "oversight/rollup/*.py",
)
WAITS = 100
_copies = count(1)
Fill = Callable[[], None]


def owner_connection(database: str = "postgres") -> psycopg.Connection:
    """A connection of the owner role, which may make databases and switch triggers off."""
    if not settings.OWNER_DATABASE_URL:
        raise RoundbookError(
            "no_owner",
            "Set DATABASE_OWNER_URL to an address whose role may make databases, then measure again.",
        )
    return psycopg.connect(settings.OWNER_DATABASE_URL, dbname=database, autocommit=True)


def _shape() -> str:
    """Eight letters for what the templates hold: the code that shapes them, and whether a test's clock laid them down."""
    digest = hashlib.sha256(os.environ.get("ROUNDBOOK_ENV", "").encode())
    for pattern in SHAPES:
        for path in sorted(settings.BASE_DIR.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:8]


def _is_ready(admin: psycopg.Connection, name: str) -> bool:
    query = "SELECT 1 FROM pg_database WHERE datname = %s AND datistemplate"
    return admin.execute(query, [name]).fetchone() is not None


def _drop(admin: psycopg.Connection, name: str) -> None:
    if _is_ready(admin, name):
        admin.execute(sql.SQL("ALTER DATABASE {} IS_TEMPLATE false").format(sql.Identifier(name)))
    _when_free(admin, sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(name)))


def _when_free(admin: psycopg.Connection, statement: sql.Composed) -> None:
    """Run a statement that needs a database nobody is connected to; a closed connection may take a moment to go."""
    for attempt in range(WAITS):
        try:
            admin.execute(statement)
            return
        except psycopg.errors.ObjectInUse:
            if attempt == WAITS - 1:
                raise
            sleep(0.1)


def _drop_other_shapes(admin: psycopg.Connection, shape: str) -> None:
    query = "SELECT datname FROM pg_database WHERE datname LIKE %s AND datname NOT LIKE %s AND datistemplate"
    for (name,) in admin.execute(query, [f"{PREFIX}\\_%", f"%\\_{shape}"]).fetchall():
        _drop(admin, name)


def _drop_forsaken(admin: psycopg.Connection) -> None:
    """Drop working copies whose maker is gone: it held a lock of that name as long as it lived."""
    query = "SELECT datname FROM pg_database WHERE datname LIKE %s"
    for (name,) in admin.execute(query, [f"{PREFIX}\\_work\\_%"]).fetchall():
        row = admin.execute("SELECT pg_try_advisory_lock(hashtext(%s))", [name]).fetchone()
        if row and row[0]:
            _drop(admin, name)
            admin.execute("SELECT pg_advisory_unlock(hashtext(%s))", [name])


def _copy(admin: psycopg.Connection, name: str, template: str) -> None:
    _drop(admin, name)
    statement = sql.SQL("CREATE DATABASE {} TEMPLATE {} STRATEGY FILE_COPY")
    _when_free(admin, statement.format(sql.Identifier(name), sql.Identifier(template)))


def _migrate(name: str) -> None:
    url = urlunsplit(urlsplit(settings.OWNER_DATABASE_URL)._replace(path=f"/{name}"))
    env = os.environ | {"ROUNDBOOK_DB_ROLE": "owner", "DATABASE_OWNER_URL": url, "DATABASE_URL": url}
    command = [sys.executable, "manage.py", "migrate", "-v0"]
    done = subprocess.run(
        command, cwd=settings.BASE_DIR, env=env, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RoundbookError(
            "not_migrated", f"The database for measuring could not be made: {done.stderr[-500:]}"
        )


@contextmanager
def connected_to(name: str) -> Iterator[None]:
    """Point this process's connection at another database inside the block."""
    before = connection.settings_dict["NAME"]
    connections.close_all()
    connection.settings_dict["NAME"] = name
    try:
        yield
    finally:
        connections.close_all()
        connection.settings_dict["NAME"] = before


def _built(name: str, *, template: str, fill: Fill) -> None:
    """Make a database and mark it as a template when it is whole; a half-made one is made again."""
    with owner_connection() as admin:
        admin.execute("SELECT pg_advisory_lock(%s)", [LOCK])
        if _is_ready(admin, name):
            return
        if template:
            _copy(admin, name, template)
        else:
            _drop(admin, name)
            make = "CREATE DATABASE {} TEMPLATE template0 LC_COLLATE 'C' LC_CTYPE 'C' ENCODING 'UTF8'"
            admin.execute(sql.SQL(make).format(sql.Identifier(name)))
            _migrate(name)
        with connected_to(name):
            fill()
        with owner_connection(name) as inside:
            inside.execute("VACUUM ANALYZE")
        admin.execute(sql.SQL("ALTER DATABASE {} IS_TEMPLATE true").format(sql.Identifier(name)))


def empty_template(*, lay_down: Fill) -> str:
    """The migrated database with the region's reference data and nobody in it; made once a shape.

    `ROUNDBOOK_MIGRATED_TEMPLATE` may name a migrated template of the same code, which is copied rather than migrated again.
    """
    shape = _shape()
    with owner_connection() as admin:
        admin.execute("SELECT pg_advisory_lock(%s)", [LOCK])  # two at once would drop the same one
        _drop_other_shapes(admin, shape)
    name = f"{PREFIX}_{shape}"
    _built(name, template=os.environ.get("ROUNDBOOK_MIGRATED_TEMPLATE", ""), fill=lay_down)
    return name


def filled_template(people: int, *, empty: str, fill: Fill, what: str = "") -> str:
    """The same with so many people, or so much of something else; made once a size and shape."""
    name = f"{PREFIX}_{what}{people}_{_shape()}"
    _built(name, template=empty, fill=fill)
    return name


@contextmanager
def working_copy(template: str) -> Iterator[str]:
    """A copy to work in, connected inside the block and dropped after it; copies of killed runs are dropped first."""
    name = f"{PREFIX}_work_{os.getpid()}_{next(_copies)}"
    with owner_connection() as admin:
        _drop_forsaken(admin)
        admin.execute("SELECT pg_advisory_lock(hashtext(%s))", [name])
        _copy(admin, name, template)
        try:
            with connected_to(name):
                yield name
        finally:
            _drop(admin, name)
