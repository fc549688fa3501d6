"""Test set-up: one migrated template database, cloned for each worker; tests connect as the application role."""

import gc
import hashlib
import os
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

os.environ["ROUNDBOOK_ENV"] = "test"
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

import psycopg
import pytest
from django.conf import settings
from django.db import connection, connections
from psycopg import sql

from staff import clock

ROOT = Path(__file__).resolve().parent.parent
FIRST_DAY = date(2025, 12, 1)
NOON = datetime(2026, 6, 17, 11, 0, tzinfo=UTC)
MOST_LET_GO = 150
"""So many databases wait to be dropped; of 24 MB each."""

sys.dont_write_bytecode = False
"""Nor may the processes that tests start be told so in the environment: some seventy would each compile everything anew."""

gc.set_threshold(50_000, 20, 50)
"""What a test leaves is nearly all freed without collecting; looking through every module after each few hundred objects
took a tenth of the suite."""


def pytest_collection_finish() -> None:
    """Whatever is there before the first test stays to the end and need not be looked through again."""
    gc.collect()
    gc.freeze()


def _with_name(url: str, name: str) -> str:
    return urlunsplit(urlsplit(url)._replace(path=f"/{name}"))


def owner_url_for(name: str) -> str:
    """The owner role's address of a database."""
    url = os.environ.get("DATABASE_OWNER_URL")
    if not url:
        from config.embedded import postgres

        url = postgres().owner
    return _with_name(url, name)


def app_url_for(name: str) -> str:
    """The application role's address of a database (also for processes that a test starts)."""
    url = os.environ.get("DATABASE_URL")
    if not url:
        from config.embedded import postgres

        url = postgres().app
    return _with_name(url, name)


def _connect(database: str) -> psycopg.Connection:
    return psycopg.connect(owner_url_for(database), autocommit=True)


def _shape() -> str:
    """A digest of everything that decides the shape of the database."""
    digest = hashlib.sha256()
    for path in sorted([*ROOT.glob("*/migrations/*.py"), *ROOT.glob("*/states.py"), *ROOT.glob("*/apps.py"),
                        *ROOT.glob("*/walls.py"), *ROOT.glob("staff/ledger/*.py"),
                        *ROOT.glob("screening/services/register_[fs]*.py")]):  # fmt: skip
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _template() -> str:
    """Make the template once per shape, under an advisory lock, and return its name."""
    name = f"rbtest_{_shape()}"
    with _connect("postgres") as admin:
        admin.execute("SELECT pg_advisory_lock(726001)")
        if not admin.execute(
            "SELECT 1 FROM pg_database WHERE datname = %s AND datistemplate", [name]
        ).fetchone():
            for (old,) in admin.execute(
                "SELECT datname FROM pg_database WHERE datname LIKE 'rbtest_%'"
            ).fetchall():
                admin.execute(sql.SQL("ALTER DATABASE {} IS_TEMPLATE false").format(sql.Identifier(old)))
                admin.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(old)))
            admin.execute(
                sql.SQL(
                    "CREATE DATABASE {} TEMPLATE template0 LC_COLLATE 'C' LC_CTYPE 'C' ENCODING 'UTF8'"
                ).format(sql.Identifier(name))
            )
            env = os.environ | {
                "ROUNDBOOK_DB_ROLE": "owner",
                "DATABASE_OWNER_URL": owner_url_for(name),
                "DATABASE_URL": app_url_for(name),
            }
            subprocess.run(
                [sys.executable, "manage.py", "migrate", "-v0"],
                cwd=ROOT,
                env=env,
                check=True,
                capture_output=True,
            )
            admin.execute(sql.SQL("ALTER DATABASE {} IS_TEMPLATE true").format(sql.Identifier(name)))
        admin.execute("SELECT pg_advisory_unlock(726001)")
    return name


def pytest_sessionstart(session: pytest.Session) -> None:
    """Begin the template while the workers still read the tests, rather than when the first of them waits for it.

    Whoever asks for it meanwhile waits at the lock; should this have failed, they make it themselves and say why not.
    """
    config = session.config
    if config.getoption("numprocesses", None) and not hasattr(config, "workerinput"):
        subprocess.Popen(
            [sys.executable, "-c", "from tests.conftest import _template; _template()"],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """With `--dist loadgroup`, keep the marked groups together."""
    if config.getoption("dist") != "loadgroup":
        return None
    from tests.sharing import Together

    return Together(config, log)


def clone_database(name: str, *, template: str = "") -> None:
    """A fresh copy of the template, or of another database that nobody is connected to."""
    template = template or _template()
    with _connect("postgres") as admin:
        admin.execute("SELECT pg_advisory_lock(726002)")
        admin.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))
        admin.execute(
            sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(template))
        )
        admin.execute("SELECT pg_advisory_unlock(726002)")


def drop_database(name: str) -> None:
    """Drop a clone; processes that a test started may need a moment to let go of it."""
    statement = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
    with _connect("postgres") as admin:
        for attempt in range(40):
            try:
                admin.execute(statement)
                return
            except (psycopg.errors.InsufficientPrivilege, psycopg.errors.ObjectInUse):
                if attempt == 39:
                    raise
                time.sleep(0.5)


def let_go(name: str) -> None:
    """Have a database out of the way that nobody wants any more; it is dropped with the others at the end.

    A clone is some sixteen hundred files, and a file system that sets the places of files just deleted aside for minutes
    takes ten times as long to make those of the next.
    """
    aside = f"rbgone_{uuid.uuid4().hex[:12]}"
    with _connect("postgres") as admin:
        try:
            admin.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = %s AND backend_type = 'client backend'", [name],
            )  # fmt: skip
            admin.execute(
                sql.SQL("ALTER DATABASE {} RENAME TO {}").format(sql.Identifier(name), sql.Identifier(aside))
            )
        except (psycopg.errors.InsufficientPrivilege, psycopg.errors.ObjectInUse):
            drop_database(name)
            return
        there = "SELECT count(*) FROM pg_database WHERE datname LIKE 'rbgone_%'"
        if admin.execute(there).fetchone() > (MOST_LET_GO,):
            drop_let_go()


def drop_let_go() -> None:
    """Drop every database that was let go, also by a run that was killed."""
    with _connect("postgres") as admin:
        gone = admin.execute("SELECT datname FROM pg_database WHERE datname LIKE 'rbgone_%'").fetchall()
    with ThreadPoolExecutor(4) as pool:  # those dropped together share the server's checkpoints
        list(pool.map(drop_database, [name for (name,) in gone]))


@contextmanager
def _in_use() -> Iterator[None]:
    """While a run lives it holds a lock; the first to find that nobody does drops what killed runs left behind."""
    with _connect("postgres") as keeper:
        found = keeper.execute("SELECT pg_try_advisory_lock(726003)").fetchone()
        if found == (True,):
            left = keeper.execute("SELECT datname FROM pg_database WHERE datname ~ '^rb(run|own|copy|gone)_'")
            for (name,) in left.fetchall():
                drop_database(name)
        keeper.execute("SELECT pg_advisory_lock_shared(726003)")
        if found == (True,):
            keeper.execute("SELECT pg_advisory_unlock(726003)")
        yield


def use_database(name: str) -> None:
    """Point this process's connections at a database."""
    connections.close_all()
    settings.DATABASES["default"]["NAME"] = name
    connection.settings_dict["NAME"] = name


@pytest.fixture(scope="session")
def worker_database(django_db_blocker: pytest.FixtureRequest) -> Iterator[str]:
    """This worker's own clone."""
    name = f"rbrun_{os.environ.get('PYTEST_XDIST_WORKER', 'one')}_{os.getpid()}"
    with _in_use():
        clone_database(name)
        os.environ["ROUNDBOOK_MIGRATED_TEMPLATE"] = _template()
        with django_db_blocker.unblock():
            use_database(name)
        yield name
        with django_db_blocker.unblock():
            connections.close_all()
        drop_database(name)
        drop_let_go()


@pytest.fixture(scope="session")
def django_db_setup(worker_database: str) -> None:
    """Replaces Django's own test database."""


@contextmanager
def own_database(afterwards: str, *, template: str = "") -> Iterator[str]:
    """A database of one test's own; afterwards the connection goes back to where it belongs."""
    name = f"rbown_{uuid.uuid4().hex[:12]}"
    connections.close_all()  # nobody may be connected to what is copied
    clone_database(name, template=template)
    use_database(name)
    yield name
    use_database(afterwards)
    let_go(name)


@pytest.fixture
def fresh_db(django_db_blocker: pytest.FixtureRequest, worker_database: str) -> Iterator[str]:
    """A database of the test's own, for tests that commit, use threads or start processes."""
    with django_db_blocker.unblock(), own_database(worker_database) as name:
        yield name


@pytest.fixture
def as_owner(request: pytest.FixtureRequest) -> Iterator[psycopg.Connection]:
    """A connection of the owner role to the test's own database, for damage that the application cannot do."""
    own = "fresh_region" if "fresh_region" in request.fixturenames else "fresh_db"
    with _connect(request.getfixturevalue(own)) as owner:
        yield owner


@pytest.fixture(autouse=True)
def still_clock(request: pytest.FixtureRequest) -> Iterator[None]:
    """Noon of the demo day, unless the test says `@pytest.mark.usefixtures` with its own clock."""
    with clock.at(NOON):
        yield


@pytest.fixture(scope="session")
def region_database(worker_database: str, django_db_blocker: pytest.FixtureRequest) -> Iterator[str]:
    """A database in which the Tarnuvek Region is laid down, once for every test that only starts from it."""
    from oversight.rehearsal.setting import region_lay_down

    name = f"{worker_database}_region"
    clone_database(name)
    with django_db_blocker.unblock(), clock.at(NOON):
        use_database(name)
        region_lay_down(first_day=FIRST_DAY)
        use_database(worker_database)
    yield name
    with django_db_blocker.unblock():
        use_database(worker_database)
    drop_database(name)


@pytest.fixture(scope="class", autouse=True)
def ground(request: pytest.FixtureRequest, django_db_blocker: pytest.FixtureRequest) -> None:
    """Stands each test on the database it starts from; wider than a test, so that it comes before its transaction.

    A test without the region leaves the connection alone unless the one before it stood on the region's.
    """
    wanted = ""
    if "region" in request.fixturenames:
        wanted = request.getfixturevalue("region_database")
    elif str(connection.settings_dict["NAME"]).endswith("_region"):
        wanted = request.getfixturevalue("worker_database")
    if wanted and connection.settings_dict["NAME"] != wanted:
        with django_db_blocker.unblock():
            use_database(wanted)


@pytest.fixture
def region(ground: None, db: None) -> "object":
    """The Tarnuvek Region's reference data and staff."""
    from oversight.rehearsal.setting import Region
    from results.models import Analyser
    from screening.models import KitModel, Protocol
    from staff.acting import acting
    from staff.models import User

    # Whoever laid it down is still the one acting when a test writes a row by itself.
    with acting(User.objects.system(), reason="demo region"):
        return Region(
            Protocol.objects.get(),
            KitModel.objects.get(name="Tarn 12"),
            tuple(Analyser.objects.order_by("pk")),
        )


@pytest.fixture
def fresh_region(
    region_database: str, worker_database: str, django_db_blocker: pytest.FixtureRequest
) -> Iterator[str]:
    """The region in a database of the test's own, committed."""
    with django_db_blocker.unblock(), own_database(worker_database, template=region_database) as name:
        yield name


@pytest.fixture
def signed_in(client: object, region: object) -> Callable[[str], object]:
    """A function that signs a member of the cast in and returns the test client."""
    from staff.models import User

    def sign_in(username: str) -> object:
        client.force_login(
            User.objects.get(username=username), backend="django.contrib.auth.backends.ModelBackend"
        )
        return client

    return sign_in
