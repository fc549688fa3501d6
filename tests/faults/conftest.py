"""Fixtures of the faults: the region in a committed database of the test's own."""

from collections.abc import Iterator

import pytest


@pytest.fixture
def own_region(fresh_db: str) -> Iterator[str]:
    """The Tarnuvek Region laid down and committed, for threads and processes."""
    from oversight.rehearsal.setting import region_lay_down
    from tests.conftest import FIRST_DAY

    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
    yield fresh_db
