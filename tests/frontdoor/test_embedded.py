"""The embedded servers really start, keep their promises after a crash, and stop."""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
import redis
from celery import Celery

from config import embedded, embedded_place, embedded_postgres
from config.embedded_place import EmbeddedServerError
from config.env import database_config

PROJECT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.xdist_group("embedded")


@pytest.fixture(scope="module")
def place() -> Iterator[Path]:
    """A run folder in a closed parent, behind a long path with a space in it."""
    closed = Path(tempfile.mkdtemp(prefix="front door "))
    long = closed / ("a long name " + "x" * 60) / ("and another " + "y" * 60)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROUNDBOOK_RUN_DIR", str(long))
        yield long
        embedded.stop()
        shutil.rmtree(embedded_place.socket_dir(), ignore_errors=True)
    shutil.rmtree(closed)


def start_elsewhere() -> "subprocess.Popen[str]":
    code = "from config import embedded; print(embedded.postgres().app); print(embedded.redis_url())"
    return subprocess.Popen([sys.executable, "-c", code], cwd=PROJECT, stdout=subprocess.PIPE, text=True)


def value(address: str, question: str) -> object:
    with psycopg.connect(address) as connection:
        row = connection.execute(question.encode()).fetchone()
    return row[0] if row else None


@pytest.mark.timeout(60)
def test_four_processes_that_start_at_once_share_one_server(place: Path) -> None:
    started = [start_elsewhere() for _ in range(4)]
    answers = [process.communicate(timeout=50)[0] for process in started]
    assert [process.returncode for process in started] == [0, 0, 0, 0]
    assert len(set(answers)) == 1
    assert embedded.status() == {"postgres": True, "redis": True}, (
        "the servers outlive those who started them"
    )


@pytest.mark.timeout(60)
def test_roles_and_cluster(place: Path) -> None:
    urls = embedded.postgres()
    assert value(urls.owner, "SELECT current_user::text") == "roundbook_owner"
    assert value(urls.owner, "SELECT rolcreatedb FROM pg_roles WHERE rolname = current_user") is True
    assert (
        value(urls.app, "SELECT rolsuper OR rolcreatedb OR rolcreaterole FROM pg_roles WHERE rolname = user")
        is False
    )
    assert value(urls.app, "SELECT datcollate FROM pg_database WHERE datname = 'roundbook'") == "C"
    assert value(urls.app, "SHOW server_encoding") == "UTF8"
    assert value(urls.app, "SHOW data_checksums") == "on"
    assert value(urls.app, "SHOW fsync") == "on"
    assert value(urls.app, "SHOW listen_addresses") == ""
    assert (
        value(embedded.superuser_url(), "SELECT rolsuper FROM pg_roles WHERE rolname = current_user") is True
    )


@pytest.mark.timeout(60)
def test_application_role_makes_no_tables_but_the_owner_does(place: Path) -> None:
    urls = embedded.postgres()
    with psycopg.connect(urls.app) as connection, pytest.raises(psycopg.errors.InsufficientPrivilege):
        connection.execute("CREATE TABLE not_allowed (id int)")
    with psycopg.connect(urls.owner) as connection:
        connection.execute("CREATE TABLE allowed (id int)")
        connection.rollback()


@pytest.mark.timeout(60)
def test_address_means_the_same_to_django_and_to_the_driver(place: Path) -> None:
    url = embedded.postgres().app
    entry = database_config(url)
    assert entry["HOST"] == str(embedded_place.socket_dir())
    assert (entry["NAME"], entry["USER"]) == ("roundbook", "roundbook_app")
    with psycopg.connect(
        dbname=entry["NAME"], user=entry["USER"], host=entry["HOST"], port=entry["PORT"]
    ) as connection:
        assert connection.info.user == "roundbook_app"


@pytest.mark.timeout(60)
def test_second_start_is_quick(place: Path) -> None:
    embedded.postgres()
    embedded.redis_url()
    began = time.monotonic()
    embedded.postgres()
    embedded.redis_url()
    assert time.monotonic() - began < 1.0


@pytest.mark.timeout(60)
def test_committed_rows_survive_the_death_of_the_server(place: Path) -> None:
    urls = embedded.postgres()
    with psycopg.connect(urls.owner) as connection:
        connection.execute("CREATE TABLE IF NOT EXISTS kept (id int)")
        connection.execute("INSERT INTO kept VALUES (1)")
    pid = int((embedded_postgres.data_dir() / "postmaster.pid").read_text().split()[0])
    os.kill(pid, signal.SIGKILL)
    assert value(embedded.postgres().owner, "SELECT count(*) FROM kept") == 1


@pytest.mark.timeout(60)
def test_a_pid_file_naming_a_stranger_does_not_block_the_start(place: Path) -> None:
    embedded.postgres()
    embedded_postgres.stop()
    pid_file = embedded_postgres.data_dir() / "postmaster.pid"
    pid_file.write_text(f"{os.getpid()}\n{embedded_postgres.data_dir()}\n0\n5432\n\n\n\nready\n")
    assert value(embedded.postgres().app, "SELECT 1") == 1


@pytest.mark.timeout(60)
def test_redis_keeps_what_it_was_told_over_a_stop(place: Path) -> None:
    with redis.Redis.from_url(embedded.redis_client_url()) as client:
        client.set("kept", "yes")
        settings = client.config_get("*")
    assert settings["appendonly"] == "yes"
    assert settings["maxmemory-policy"] == "noeviction"
    assert settings["port"] == "0"
    assert embedded.stop()
    assert embedded.status() == {"postgres": False, "redis": False}
    assert not embedded.stop()
    with redis.Redis.from_url(embedded.redis_client_url()) as client:
        assert client.get("kept") == b"yes"


@pytest.mark.timeout(60)
def test_celery_reads_the_redis_address(place: Path) -> None:
    with Celery(broker=embedded.redis_url()).connection() as connection:
        connection.ensure_connection(max_retries=1)
        assert connection.connected


def test_a_path_the_servers_cannot_take_is_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROUNDBOOK_RUN_DIR", '/tmp/a"b')  # noqa: S108 - never made
    with pytest.raises(EmbeddedServerError, match="quotation mark"):
        embedded.postgres()
