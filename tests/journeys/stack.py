"""Starts the real stack for a test: gunicorn, a Celery worker and beat against a database and a Redis of its own."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

from tests.conftest import app_url_for, owner_url_for

ROOT = Path(__file__).resolve().parents[2]
TODAY = "2026-06-15"
"""A Monday: a letter posted today lands on a weekday on which it may (R11)."""


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def redis_of_our_own(number: int) -> str:
    """An emptied database of the test Redis."""
    given = os.environ.get("REDIS_URL")
    if given:
        url = given.rsplit("/", 1)[0] + f"/{number}" if given.startswith("redis://") else given
    else:
        from config.embedded import redis_url

        url = f"{redis_url()}?virtual_host={number}"
    import kombu

    with kombu.Connection(url) as broker:
        broker.default_channel.client.flushdb()
    return url


@dataclass
class Stack:
    """The running processes and where to reach them."""

    database: str
    logs: Path
    redis: str
    port: int = field(default_factory=free_port)
    today: str = TODAY
    processes: dict[str, subprocess.Popen] = field(default_factory=dict)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def env(self) -> dict[str, str]:
        """The environment of every process of this stack."""
        return os.environ | {
            "ROUNDBOOK_ENV": "dev", "DATABASE_URL": app_url_for(self.database),
            "DATABASE_OWNER_URL": owner_url_for(self.database), "REDIS_URL": self.redis, "ROUNDBOOK_TODAY": self.today,
            "DJANGO_SETTINGS_MODULE": "config.settings", "PYTHONUNBUFFERED": "1",
        }  # fmt: skip

    def start(self, name: str, *command: str) -> None:
        """Start one process, its output in a log file."""
        log = (self.logs / f"{name}.log").open("ab")
        self.processes[name] = subprocess.Popen(
            [sys.executable, "-m", *command],
            cwd=ROOT,
            env=self.env,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )

    def start_web(self) -> None:
        """The web process, until it answers."""
        self.start(
            "web",
            "gunicorn",
            "config.wsgi",
            "--bind",
            f"127.0.0.1:{self.port}",
            "--threads",
            "4",
            "--worker-class",
            "gthread",
        )
        self.wait_for_web()

    def start_worker(self) -> None:
        """A worker and the beat that rings it."""
        self.start(
            "worker",
            "celery",
            "-A",
            "config",
            "worker",
            "--pool",
            "prefork",
            "--concurrency",
            "1",
            "-l",
            "INFO",
        )
        self.start("beat", "celery", "-A", "config", "beat", "-l", "INFO", "-s", str(self.logs / "beat"))

    def wait_for_web(self, seconds: float = 60) -> None:
        """Until /readyz answers."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                with urllib.request.urlopen(f"{self.address}/readyz", timeout=2) as answer:  # noqa: S310 - our own server
                    if answer.status == 200:
                        return
            except OSError:
                time.sleep(0.3)
        raise AssertionError((self.logs / "web.log").read_text()[-3000:])

    def manage(self, *arguments: str) -> str:
        """Run one management command and return what it printed."""
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=ROOT,
            env=self.env,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def stop(self) -> None:
        """End every process."""
        for process in self.processes.values():
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGTERM)
        for process in self.processes.values():
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait(10)
