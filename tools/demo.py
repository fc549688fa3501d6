"""The demo: servers, database, demo region, web, worker and beat, from one command to one Ctrl-C."""

import fcntl
import os
import shutil
import signal
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import NoReturn

from tools import libraries, machine, ports
from tools.crew import Crew, end_leftovers, end_processes, is_ours, recorded
from tools.say import PROJECT, StopError, say, warn

HALF_FINISHED = 3
WEB_START_SECONDS = 90
EMBEDDED_PARTS = ("postgres", "redis", "media", "beat-schedule*", "rehearsing", "loaded")


def one_desk() -> None:
    """From here on the small demo: a clinic of one desk, with data of its own beside the region's."""
    os.environ["ROUNDBOOK_DEMO"] = "one-desk"
    os.environ.setdefault("ROUNDBOOK_RUN_DIR", str(PROJECT / ".run-one-desk"))


def run_dir() -> Path:
    chosen = os.environ.get("ROUNDBOOK_RUN_DIR", "")
    return Path(chosen).expanduser().resolve() if chosen else PROJECT / ".run"


def record() -> Path:
    return run_dir() / "demo.json"


def loading_marker() -> Path:
    """There while the demo region is being loaded, so that an interrupted load is known as such."""
    return run_dir() / "rehearsing"


def environment(role: str = "app") -> dict[str, str]:
    env = {**os.environ, "PYTHONUNBUFFERED": "1", "ROUNDBOOK_DB_ROLE": role}
    env.setdefault("ROUNDBOOK_ENV", "dev")
    return env


def quiet_environment(role: str = "app") -> dict[str, str]:
    """For commands whose output the person reads: only their own words and warnings."""
    return {"ROUNDBOOK_LOG_LEVEL": "WARNING", **environment(role)}


def own_database() -> bool:
    return not os.environ.get("DATABASE_URL")


def own_servers() -> bool:
    return own_database() or not os.environ.get("REDIS_URL")


def python(*arguments: str, role: str = "app") -> int:
    command = [str(libraries.PYTHON), *arguments]
    env = quiet_environment(role)
    return subprocess.run(command, cwd=PROJECT, env=env, check=False).returncode


def manage(*arguments: str, role: str = "app") -> int:
    return python("manage.py", *arguments, role=role)


def run() -> int:
    """Everything, until told to stop."""
    libraries.ensure("demo.txt")
    machine.provide(machine.LETTER_NEEDS, may_go_on=True)
    with _only_one(), _stops_on_signals():
        outcome = 1
        if end_leftovers(record()):
            say("Ended what an earlier demo had left running.")
        crew = Crew(logs=run_dir() / "log", record=record(), env=environment())
        try:
            _prepare()
            outcome = _serve(crew)
        except KeyboardInterrupt:
            say("\nStopping …")
            outcome = 0
        finally:
            with _undisturbed():
                crew.end()
                stop_servers()
        say("Stopped. The data is kept; `make demo` carries on where it was.")
        return outcome


@contextmanager
def _only_one() -> Iterator[None]:
    run_dir().mkdir(mode=0o755, parents=True, exist_ok=True)
    handle = os.open(run_dir() / "demo.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise StopError(
                "A demo already runs in this folder. Use that one, or end it first with: make stop"
            ) from error
        yield
    finally:
        os.close(handle)


def _interrupt(_sign: int, _frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


@contextmanager
def _stops_on_signals() -> Iterator[None]:
    signs = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {sign: signal.signal(sign, _interrupt) for sign in signs}
    try:
        yield
    finally:
        for sign, handler in before.items():
            signal.signal(sign, handler)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """A second Ctrl-C does not cut the tidying short."""
    signs = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {sign: signal.signal(sign, signal.SIG_IGN) for sign in signs}
    try:
        yield
    finally:
        for sign, handler in before.items():
            signal.signal(sign, handler)


def _end_abandoned_loading() -> None:
    """A load whose own demo was killed may still be running; it must not write beside ours."""
    try:
        pid = int(loading_marker().read_text())
    except (OSError, ValueError):
        return
    if is_ours(pid):
        say("Ending an earlier load of the demo region that was still running.")
        end_processes([pid])


def _prepare() -> None:
    _end_abandoned_loading()
    _start_servers()
    _migrate()
    outcome = _rehearse()
    if outcome == HALF_FINISHED and loading_marker().exists() and own_database():
        say("An earlier first start was interrupted while it loaded the demo region. Starting over.")
        stop_servers()
        _delete_data()
        _start_servers()
        _migrate()
        outcome = _rehearse()
    if outcome == HALF_FINISHED:
        raise StopError(
            "The database holds half-loaded demo data. Start over with: make demo-reset\n"
            "(With DATABASE_URL set, empty that database yourself first.)"
        )
    if outcome != 0:
        raise StopError("The demo region could not be loaded; the lines above say why.")
    loading_marker().unlink(missing_ok=True)


def _start_servers() -> None:
    if own_servers():
        say("Starting the database and the queue …")
        if python("-m", "config.embedded", "start", "--quiet") != 0:
            raise StopError("The embedded servers did not start; the lines above say why.")


def _migrate() -> None:
    say("Bringing the database up to date (a new one takes about a minute) …")
    if manage("migrate", "--no-input", "--verbosity", "0", role="owner") != 0:
        raise StopError("The database could not be brought up to date; the lines above say why.")


def _rehearse() -> int:
    """Load the demo region; while that runs, the marker names the process that does it."""
    first = own_database() and not (run_dir() / "loaded").exists()
    if first:
        say("Loading the demo region (this first time takes some minutes) …")
    command = [str(libraries.PYTHON), "manage.py", "rehearse", "--if-empty"]
    command += ["--one-desk"] if os.environ.get("ROUNDBOOK_DEMO") == "one-desk" else []
    with subprocess.Popen(command, cwd=PROJECT, env=quiet_environment()) as process:
        if first:
            loading_marker().write_text(str(process.pid))
        try:
            outcome = process.wait()
        except KeyboardInterrupt:
            process.kill()
            raise
    if outcome == 0 and own_database():
        (run_dir() / "loaded").touch()
    return outcome


def _serve(crew: Crew) -> int:
    host = os.environ.get("ROUNDBOOK_BIND", "127.0.0.1")
    port, remark = ports.choose(os.environ, host)
    if remark:
        say(remark)
    python_path = str(libraries.PYTHON)
    web = ("gunicorn", "config.wsgi:application", "--bind", f"{host}:{port}", "--worker-class", "gthread")
    crew.start("web", [python_path, "-m", *web, "--workers", "2", "--threads", "4", "--access-logfile", "-"])
    celery = [python_path, "-m", "celery", "-A", "config"]
    crew.start("worker", [*celery, "worker", "--concurrency", "2", "--loglevel", "INFO"])
    crew.start("beat", [*celery, "beat", "--loglevel", "INFO", "--pidfile", ""])
    address = f"http://{'localhost' if host in {'127.0.0.1', '0.0.0.0'} else host}:{port}/"  # noqa: S104 - compared only
    _wait_for_page(crew, address + "livez")
    say(f"\nRoundbook runs at {address}\n")
    if manage("demo_sign_ins") != 0:
        warn("The sign-ins could not be shown; the lines above say why.")
    say("\nPeople whose story is worth a look, with their person numbers: manage.py stories")
    say(f"\nLogs: {crew.logs}\nStop with Ctrl-C. The data is kept; `make demo-reset` starts over.")
    return _watch(crew)


def _wait_for_page(crew: Crew, address: str) -> None:
    until = time.monotonic() + WEB_START_SECONDS
    while time.monotonic() < until:
        for member in crew.fallen():
            raise StopError(f"The {member.name} process ended at once:\n{crew.last_words(member)}")
        try:
            with urllib.request.urlopen(address, timeout=5) as answer:  # noqa: S310 - our own http address
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.3)
    raise StopError(f"No page answered at {address} within {WEB_START_SECONDS} seconds. See {crew.logs}.")


def _watch(crew: Crew) -> int:
    while True:
        for member in crew.fallen():
            if not crew.revive(member):
                warn(f"The {member.name} process keeps ending:\n{crew.last_words(member)}")
                return 1
        time.sleep(0.5)


def stop_servers() -> None:
    if own_servers() and libraries.PYTHON.exists():
        python("-m", "config.embedded", "stop", "--quiet")


@contextmanager
def servers_as_found() -> Iterator[None]:
    """Stop the embedded servers afterwards, unless they ran before."""
    pid_file = run_dir() / "postgres" / "data" / "postmaster.pid"
    ran_before = pid_file.exists()
    try:
        yield
    finally:
        if not ran_before and pid_file.exists():
            stop_servers()


def stop() -> int:
    """End the demo of this folder, wherever it was started, and its servers."""
    supervisor, _children = recorded(record())
    if supervisor and is_ours(supervisor):
        say("Stopping the demo …")
        os.kill(supervisor, signal.SIGTERM)
        until = time.monotonic() + 60
        while is_ours(supervisor) and time.monotonic() < until:
            time.sleep(0.2)
    end_leftovers(record())
    _end_abandoned_loading()
    stop_servers()
    say("Nothing of the demo is running now.")
    return 0


def _delete_data() -> None:
    for path in [found for pattern in EMBEDDED_PARTS for found in run_dir().glob(pattern)]:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def reset() -> int:
    """Delete the demo's data and start over."""
    if not own_database():
        raise StopError(
            "DATABASE_URL is set, and a database that is not the demo's own is never deleted. Empty it yourself, "
            "or unset DATABASE_URL."
        )
    stop()
    say(f"Deleting the demo's data in {run_dir()} …")
    _delete_data()
    return run()


def forward(arguments: Sequence[str]) -> int:
    """Run one management command in the demo's environment."""
    libraries.ensure("demo.txt")
    with servers_as_found():
        return manage(*arguments)
