"""Models and migrations agree, and no migration imports the project's code."""

import re
from pathlib import Path

import pytest
from django.core.management import call_command

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.django_db
def test_no_migration_is_missing() -> None:
    call_command("makemigrations", "--check", "--dry-run", verbosity=0)


def test_migrations_are_named_and_do_not_import_services_or_rules() -> None:
    guilty = []
    for path in ROOT.glob("*/migrations/[0-9]*.py"):
        if "_auto_" in path.name:
            guilty.append(f"{path.name} has no name")
        if re.search(
            r"^from (staff|screening|results|outreach|oversight)\.(?!models)", path.read_text(), re.M
        ):
            guilty.append(f"{path.name} imports the project's code")
    assert guilty == []
