"""Fixtures of the faults: the region in a committed database of the test's own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.broker import OwnRedis
from tests.journeys.stack import Stack


@pytest.fixture
def own_region(fresh_region: str) -> str:
    """The Tarnuvek Region laid down and committed, for threads and processes."""
    return fresh_region


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[OwnRedis]:
    """A running Redis of the test's own."""
    server = OwnRedis(tmp_path)
    server.start()
    yield server
    server.kill()


@pytest.fixture
def own_stack(own_region: str, broker: OwnRedis, tmp_path: Path) -> Iterator[Stack]:
    """The region with a stack that may be killed; nothing of it runs yet."""
    running = Stack(database=own_region, logs=tmp_path, redis=broker.url, today="2026-06-17")
    yield running
    running.stop()
