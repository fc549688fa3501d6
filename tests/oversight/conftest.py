"""The small region, played once for every test that only reads it."""

from collections.abc import Iterator
from datetime import date
from urllib.parse import urlsplit

import pytest
from django.db import connection, transaction

from oversight.models import ProofRun, Rehearsal
from oversight.rehearsal.engine import rehearse
from oversight.services.proofs import prove
from staff import clock
from staff.models import User
from tests.conftest import NOON, clone_database, drop_database, owner_url_for, use_database

TODAY = date(2026, 6, 17)
SEALS = ("oversight_seal", "oversight_sealblock", "oversight_agedout")


@pytest.fixture(scope="session")
def _played(worker_database: str, django_db_blocker: pytest.FixtureRequest) -> Iterator[str]:
    name = f"{worker_database}_played"
    clone_database(name)
    with django_db_blocker.unblock(), clock.at(NOON):
        use_database(name)
        rehearse(invited_people=240, seed=26, today=TODAY, tell=lambda _words, _share: None)
        use_database(worker_database)
    yield name
    drop_database(name)


@pytest.fixture
def small_region(
    _played: str, worker_database: str, django_db_blocker: pytest.FixtureRequest
) -> Iterator[Rehearsal]:
    """A region of 240 invited people up to the demo's today. Tests that ask for it must not write."""
    with django_db_blocker.unblock():
        use_database(_played)
        yield Rehearsal.objects.get()
        use_database(worker_database)


@pytest.fixture(scope="module")
def as_owner_of_region(
    _played: str, worker_database: str, django_db_blocker: pytest.FixtureRequest
) -> Iterator[ProofRun]:
    """The played region, connected as its owner, with one proof of it; everything is rolled back."""
    owner = urlsplit(owner_url_for(_played))
    before = {key: connection.settings_dict[key] for key in ("USER", "PASSWORD")}
    with django_db_blocker.unblock(), clock.at(NOON):
        use_database(_played)
        connection.settings_dict |= {"USER": owner.username or "", "PASSWORD": owner.password or ""}
        with transaction.atomic():
            with connection.cursor() as cursor:  # without seals, so that a damage does not break them too
                for table in SEALS:
                    cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
                cursor.execute(f"TRUNCATE {', '.join(SEALS)}")
            yield prove(by=User.objects.system())
            transaction.set_rollback(True)
        use_database(worker_database)
        connection.settings_dict |= before
