"""Production starts only with its secrets, its hosts and TLS; each refusal names the variable and says what to do.

What has to be set is Django's own deployment checklist (`check --deploy`); which values of `sslmode` never fall back to
plain text is the PostgreSQL documentation's table of SSL modes.
"""

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from config.refusals import refusals
from tools.checks import PRODUCTION_EXAMPLE

ROOT = Path(__file__).resolve().parents[2]
GOOD = PRODUCTION_EXAMPLE
REFUSED = [
    ("ROUNDBOOK_SECRET_KEY", "", "token_urlsafe"),
    ("ROUNDBOOK_SECRET_KEY", "short", "can be guessed"),
    ("ROUNDBOOK_SECRET_KEY", "ab" * 40, "can be guessed"),
    ("ROUNDBOOK_SECRET_KEY", "django-insecure-" + "9f3k-Q7w2_" * 6, "can be guessed"),
    ("ROUNDBOOK_HOSTS", "", "host names people will use"),
    ("ROUNDBOOK_HOSTS", "*", "no *"),
    ("ROUNDBOOK_HOSTS", "https://roundbook.example", "no https://"),
    ("ROUNDBOOK_HOSTS", "roundbook.example:443", "no port"),
    ("ROUNDBOOK_PROXIES", "", "ends TLS"),
    ("ROUNDBOOK_PROXIES", "0", "ends TLS"),
    ("ROUNDBOOK_PROXIES", "many", "ends TLS"),
    ("ROUNDBOOK_ORIGINS", "http://roundbook.example", "https://name"),
    ("DATABASE_URL", "", "application role"),
    ("DATABASE_URL", "postgres://a:b@db.example/roundbook", "sslmode=verify-full"),
    ("DATABASE_URL", "postgres://a:b@db.example/roundbook?sslmode=prefer", "sslmode=verify-full"),
    ("REDIS_URL", "", "work queue"),
    ("REDIS_URL", "redis://queue.example:6379/0", "rediss://"),
]
TAKEN = [
    ("ROUNDBOOK_HOSTS", "roundbook.example,.clinic.example,127.0.0.1,[::1]"),
    ("ROUNDBOOK_ORIGINS", "https://roundbook.example:8443"),
    ("DATABASE_URL", "postgres://a:b@db.example/roundbook?sslmode=verify-full"),
    ("DATABASE_URL", "postgres://a@/roundbook?host=%2Frun%2Fpostgresql"),
    ("DATABASE_URL", "postgres://a:b@127.0.0.1:5432/roundbook"),
    ("REDIS_URL", "rediss://queue.example:6379/0"),
]


def _start(changed: Mapping[str, str], *command: str) -> "subprocess.CompletedProcess[str]":
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("ROUNDBOOK_", "DATABASE_", "REDIS_"))}
    return subprocess.run(
        [sys.executable, "manage.py", *command], cwd=ROOT, env=kept | GOOD | changed,
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip


@pytest.mark.parametrize(("name", "value", "cure"), REFUSED)
def test_what_is_missing_or_weak_is_named_with_what_to_do(name: str, value: str, cure: str) -> None:
    found = refusals(GOOD | {name: value})
    assert len(found) == 1
    assert name in found[0]
    assert cure in found[0]


@pytest.mark.parametrize(("name", "value"), TAKEN)
def test_what_is_safe_is_taken(name: str, value: str) -> None:
    assert refusals(GOOD | {name: value}) == []


def test_a_closed_network_is_taken_by_name_only() -> None:
    plain = GOOD | {"DATABASE_URL": "postgres://a:b@postgres/roundbook", "REDIS_URL": "redis://redis:6379/0"}
    assert len(refusals(plain)) == 2
    assert len(refusals(plain | {"ROUNDBOOK_INNER_NETWORK": "postgres"})) == 1
    assert refusals(plain | {"ROUNDBOOK_INNER_NETWORK": "postgres, redis"}) == []


def test_the_migration_needs_the_owners_address() -> None:
    owner = {k: v for k, v in GOOD.items() if k != "DATABASE_OWNER_URL"} | {"ROUNDBOOK_DB_ROLE": "owner"}
    assert ["DATABASE_OWNER_URL" in one for one in refusals(owner)] == [True]


def test_a_process_without_them_ends_and_says_all_of_it_at_once() -> None:
    done = _start({name: "" for name in GOOD if name != "ROUNDBOOK_ENV"}, "check")
    assert done.returncode != 0
    for name in ("ROUNDBOOK_SECRET_KEY", "ROUNDBOOK_HOSTS", "ROUNDBOOK_PROXIES", "DATABASE_URL", "REDIS_URL"):
        assert f"- {name} is missing" in done.stderr


def test_the_deployment_checklist_has_no_warning_and_none_is_silenced() -> None:
    done = _start({}, "check", "--deploy", "--fail-level", "WARNING")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "System check identified no issues (0 silenced)." in done.stdout


def test_a_day_that_stands_still_is_warned_of() -> None:
    done = _start({"ROUNDBOOK_TODAY": "2026-06-17"}, "check", "--deploy", "--fail-level", "WARNING")
    assert done.returncode != 0
    assert "staff.W001" in done.stderr
