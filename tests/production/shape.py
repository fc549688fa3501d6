"""The production shape over the test's own database: real nginx with TLS, real gunicorn, real worker, production settings."""

import fcntl
import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.conftest import app_url_for, owner_url_for
from tests.faults.broker import OwnRedis
from tools.production import Production
from tools.say import PROJECT

MB = 1024 * 1024


@contextmanager
def shape_over(database: str, place: Path, **more: str) -> Iterator[Production]:
    """Nothing runs yet; whatever is started ends with the block."""
    queue = OwnRedis(place)
    queue.start()
    shape = Production(place, app_url_for(database), owner_url_for(database), queue.url, more=more)
    try:
        yield shape
    finally:
        shape.stop(15)
        queue.kill()


def statics_collected(shape: Production) -> None:
    """The style sheets, once for each run of the tests whoever comes first: collecting again under a web that starts hides files from it."""
    run = f"{PROJECT} {os.environ.get('PYTEST_XDIST_TESTRUNUID') or os.getpid()}"
    place = Path("/tmp") / f"rb-collect-{os.getuid()}.lock"  # noqa: S108 - only a lock
    with place.open("a+") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        lock.seek(0)
        if lock.read() == run:
            return
        lock.truncate(0)
        shape.manage("collectstatic", "--no-input", "--verbosity", "0")
        lock.write(run)


def processes_of(pid: int) -> list[int]:
    """A process and all below it."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in task.read_text().split():
            found += processes_of(int(child))
    return found


class Memory:
    """The most memory that each process of some parts held since the mark, in bytes (the kernel's own high-water mark)."""

    def __init__(self, shape: Production, *names: str) -> None:
        self.pids = [pid for name in names for pid in processes_of(shape.processes[name].pid)]
        for pid in self.pids:
            Path(f"/proc/{pid}/clear_refs").write_text("5")
        self.before = self._most()

    def _most(self) -> int:
        total = 0
        for pid in self.pids:
            for line in Path(f"/proc/{pid}/status").read_text().splitlines():
                if line.startswith("VmHWM:"):
                    total += int(line.split()[1]) * 1024
        return total

    @property
    def grown(self) -> int:
        return self._most() - self.before


def fresh_name() -> str:
    return uuid.uuid4().hex
