"""A restored backup proves clean and its ledgers, seals and figures are the original's: by a dump, and by a copy of the server."""

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from django.db import connection

from config import embedded_postgres
from config.embedded_place import run_as
from oversight.models import Seal
from oversight.services.drills import restored_report
from oversight.services.seal import seal_night
from staff import clock
from staff.models import User
from tests.conftest import NOON, clone_database, drop_database, owner_url_for, use_database

pytestmark = [
    pytest.mark.timeout(600),
    pytest.mark.xdist_group("rehearsal"),
    pytest.mark.skipif(
        bool(os.environ.get("DATABASE_OWNER_URL")), reason="needs the embedded server's own programs"
    ),
]


def programs() -> Path:
    return embedded_postgres._programs() / "bin"


@pytest.fixture(scope="module")
def original(
    _played: str, worker_database: str, django_db_blocker: pytest.FixtureRequest
) -> Iterator[tuple[str, dict[str, object]]]:
    """A copy of the played region with another seal, and what it holds."""
    name = f"{worker_database}_original"
    clone_database(name, template=_played)
    with django_db_blocker.unblock(), clock.at(NOON):
        use_database(name)
        if not Seal.objects.filter(day=clock.today()).exists():
            seal_night(by=User.objects.system(), day=clock.today())
        report = restored_report()
        use_database(worker_database)
    yield name, report
    drop_database(name)


def equal(restored: dict[str, object], original: dict[str, object]) -> None:
    """Nothing violated, every sealed row verifies, and both hold the same."""
    assert {name: bad for name, (_n, bad) in restored["checks"].items() if bad} == {}  # type: ignore[attr-defined]
    assert restored["broken"] == []
    assert restored["ledgers"]
    assert restored == original


def test_a_dump_restored_proves_clean_and_counts_the_same(
    original: tuple[str, dict[str, object]],
    worker_database: str,
    django_db_blocker: pytest.FixtureRequest,
    tmp_path: Path,
) -> None:
    name, report = original
    restored = f"{worker_database}_restored"
    file = tmp_path / "roundbook.dump"
    subprocess.run([programs() / "pg_dump", "-Fc", "-f", file, "-d", _libpq(name)], check=True)
    with _empty(restored):
        subprocess.run(
            [programs() / "pg_restore", "--no-owner", "--exit-on-error", "-d", _libpq(restored), file],
            check=True,
        )
        with django_db_blocker.unblock(), clock.at(NOON):
            use_database(restored)
            equal(restored_report(), report)
            use_database(worker_database)


@contextmanager
def _empty(name: str) -> Iterator[None]:
    import psycopg

    with psycopg.connect(owner_url_for("postgres"), autocommit=True) as admin:
        admin.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        admin.execute(
            f"CREATE DATABASE {name} TEMPLATE template0 LC_COLLATE 'C' LC_CTYPE 'C' ENCODING 'UTF8'"
        )
    yield
    drop_database(name)


def _libpq(name: str) -> str:
    parts = urlsplit(owner_url_for(name))
    query = {key: values[0] for key, values in parse_qs(parts.query).items()}
    return f"host={query['host']} port={query['port']} user={parts.username} dbname={name}"


@pytest.mark.campaign
def test_a_copy_of_the_server_proves_clean_and_counts_the_same(
    original: tuple[str, dict[str, object]], worker_database: str, django_db_blocker: pytest.FixtureRequest
) -> None:
    name, report = original
    who = embedded_postgres.account(embedded_postgres.data_dir())
    place = embedded_postgres.folder() / f"copy-{os.getpid()}"
    source = parse_qs(urlsplit(embedded_postgres.url("postgres", "postgres")).query)["host"][0]
    done = run_as(
        who, [programs() / "pg_basebackup", "-D", place, "-h", source, "-p", "5432", "-U", "postgres", "-X", "stream", "-c", "fast"],
        cwd=embedded_postgres.folder(), timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    control = [programs() / "pg_ctl", "-D", place]
    options = f"-k {source} -p 5499"
    try:
        began = run_as(who, [*control, "start", "-w", "-t", "120", "-l", place / "log", "-o", options],
                       cwd=embedded_postgres.folder(), timeout=150)  # fmt: skip
        assert began.returncode == 0, began.stdout
        with django_db_blocker.unblock(), clock.at(NOON):
            use_database(name)
            before = connection.settings_dict["PORT"]
            connection.settings_dict["PORT"] = "5499"
            try:
                equal(restored_report(), report)
            finally:
                connection.close()
                connection.settings_dict["PORT"] = before
                use_database(worker_database)
    finally:
        run_as(who, [*control, "stop", "-m", "immediate"], cwd=embedded_postgres.folder(), timeout=60)
        time.sleep(0.2)
        shutil.rmtree(place, ignore_errors=True)
