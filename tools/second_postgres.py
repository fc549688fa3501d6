"""A quick part of the suite on the PostgreSQL that this machine has installed itself, beside the embedded one."""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from config.embedded_place import Account, account, hand_over, run_as
from tools.say import PROJECT, StopError, say, warn

PLACES = ("/usr/lib/postgresql/*/bin/initdb", "/usr/pgsql-*/bin/initdb", "/usr/local/pgsql/bin/initdb")
OLDEST = 15
PORT = 5432
SUPERUSER, OWNER, APP = "postgres", "roundbook_owner", "roundbook_app"
NONE_HERE = (
    "No PostgreSQL of its own is installed on this machine, so nothing was tried on a second one. "
    "On Debian: sudo apt-get install postgresql"
)
QUICK = (
    "tests/staff", "tests/screening/test_batches.py", "tests/results", "tests/outreach", "-q",
    "-k", "not pages", "-m", "not browser and not stack and not campaign",
)  # fmt: skip
SETTINGS = """
listen_addresses = ''
unix_socket_permissions = 0700
max_connections = 60
shared_buffers = 128MB
dynamic_shared_memory_type = mmap
fsync = off
jit = off
timezone = 'UTC'
"""
ROLES = f"""
CREATE ROLE {OWNER} LOGIN NOSUPERUSER NOCREATEROLE CREATEDB;
CREATE ROLE {APP} LOGIN NOSUPERUSER NOCREATEROLE NOCREATEDB;
GRANT {APP} TO {OWNER};
CREATE DATABASE roundbook OWNER {OWNER} TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C';
"""


@dataclass(frozen=True)
class Server:
    """One installed server: its programs, and the folder its throw-away cluster lives in."""

    programs: Path
    place: Path
    who: Account

    def call(self, name: str, *arguments: str | Path, timeout: float = 120) -> str:
        """Run one of its programs as the unprivileged user; returns what it said."""
        done = run_as(self.who, [self.programs / name, *arguments], cwd=self.place, timeout=timeout)
        if done.returncode != 0:
            raise StopError(f"{name} of {self.programs} failed:\n{done.stdout.strip()}")
        return str(done.stdout)

    def url(self, user: str) -> str:
        return f"postgres://{user}@/roundbook?host={quote(str(self.place), safe='')}&port={PORT}"


def installed() -> Path | None:
    """The programs of the oldest installed server that is new enough; None when there is none."""
    found = {}
    for pattern in PLACES:
        for path in Path("/").glob(pattern.lstrip("/")):
            said = subprocess.run([path, "--version"], capture_output=True, text=True, check=False).stdout
            version = re.search(r"\b(\d+)\.", said)
            if version and int(version[1]) >= OLDEST and (path.parent / "postgres").exists():
                found[int(version[1])] = path.parent
    return found[min(found)] if found else None


@contextmanager
def cluster(programs: Path) -> Iterator[Server]:
    """A running throw-away cluster with both roles and the database; gone afterwards."""
    place = Path(tempfile.mkdtemp(prefix="rb2-", dir="/tmp"))  # a socket's path must be short
    server = Server(programs, place, account(place / "data"))
    try:
        hand_over(place, server.who)
        data = place / "data"
        server.call(
            "initdb",
            f"--pgdata={data}",
            f"--username={SUPERUSER}",
            "--auth=trust",
            "--locale=C",
            "--encoding=UTF8",
        )
        with (data / "postgresql.conf").open("a") as config:
            config.write(SETTINGS)
        server.call("pg_ctl", "-D", data, "start", "-w", "-l", place / "log", "-o", f"-k {place} -p {PORT}")
        try:
            server.call(
                "psql", "-X", "-q", "-v", "ON_ERROR_STOP=1", "-h", place, "-p", str(PORT), "-U", SUPERUSER,
                "-d", "postgres", *(part for line in ROLES.split(";\n") if line.strip() for part in ("-c", line.strip())),
            )  # fmt: skip
            yield server
        finally:
            server.call("pg_ctl", "-D", data, "stop", "-m", "immediate", "-w")
    finally:
        shutil.rmtree(place, ignore_errors=True)


def run(arguments: Sequence[str]) -> int:
    """Run the quick part, or what is named, on the second server; a machine without one passes, and says so."""
    programs = installed()
    if programs is None:
        say(NONE_HERE)
        return 0
    with cluster(programs) as server:
        say(f"== the quick part of the suite on {server.call('postgres', '--version').strip()}")
        env = os.environ | {
            "DATABASE_URL": server.url(APP), "DATABASE_OWNER_URL": server.url(OWNER), "ROUNDBOOK_ENV": "test",
        }  # fmt: skip
        parts = ["-n", os.environ.get("ROUNDBOOK_TEST_PROCESSES", "2"), *(arguments or QUICK)]
        return subprocess.run(
            [sys.executable, "-m", "pytest", *parts], cwd=PROJECT, env=env, check=False
        ).returncode


if __name__ == "__main__":
    try:
        sys.exit(run(sys.argv[1:]))
    except StopError as trouble:
        warn(str(trouble))
        sys.exit(1)
