"""The small region, played once for every test that only reads it."""

from collections.abc import Iterator
from datetime import date

import pytest

from oversight.models import Rehearsal
from oversight.rehearsal.engine import rehearse
from staff import clock
from tests.conftest import NOON, clone_database, drop_database, use_database

TODAY = date(2026, 6, 17)


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
