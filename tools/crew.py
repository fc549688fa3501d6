"""The demo's processes: started with logs of their own, watched, and ended together."""

import json
import os
import signal
import subprocess
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tools.say import PROJECT, warn

GRACE = 20.0
SETTLED = 10.0
LOG_LIMIT = 10 * 1024 * 1024


@dataclass
class Member:
    """One process of the demo: its name, how it starts, and its present run."""

    name: str
    command: Sequence[str]
    process: "subprocess.Popen[bytes] | None" = None
    began: float = 0.0


@dataclass
class Crew:
    """All processes of one demo."""

    logs: Path
    record: Path
    env: Mapping[str, str]
    members: list[Member] = field(default_factory=list)

    def start(self, name: str, command: Sequence[str]) -> Member:
        member = Member(name, command)
        self.members.append(member)
        self._launch(member)
        return member

    def _launch(self, member: Member) -> None:
        self.logs.mkdir(parents=True, exist_ok=True)
        path = self.log_of(member)
        if path.exists() and path.stat().st_size > LOG_LIMIT:
            path.replace(path.with_suffix(".log.1"))
        with path.open("ab") as log:
            member.process = subprocess.Popen(
                list(member.command),
                cwd=PROJECT,
                env=dict(self.env),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        member.began = time.monotonic()
        self._write_record()

    def _write_record(self) -> None:
        pids = [member.process.pid for member in self.members if member.process]
        self.record.write_text(json.dumps({"supervisor": os.getpid(), "children": pids}))

    def log_of(self, member: Member) -> Path:
        return self.logs / f"{member.name}.log"

    def last_words(self, member: Member, lines: int = 12) -> str:
        text = self.log_of(member).read_text(errors="replace")
        return "\n".join(text.splitlines()[-lines:])

    def fallen(self) -> list[Member]:
        return [member for member in self.members if member.process and member.process.poll() is not None]

    def revive(self, member: Member) -> bool:
        """Start a process again that had run for a while; False when it ends as soon as it starts."""
        if time.monotonic() - member.began < SETTLED:
            return False
        warn(f"The {member.name} process ended by itself; starting it again.")
        self._launch(member)
        return True

    def end(self) -> None:
        """Ask every process to finish, then insist."""
        running = [m.process for m in self.members if m.process and m.process.poll() is None]
        for process in reversed(running):
            signal_group(process.pid, signal.SIGTERM, only_leader=True)
        until = time.monotonic() + GRACE
        for process in running:
            try:
                process.wait(timeout=max(0.1, until - time.monotonic()))
            except subprocess.TimeoutExpired:
                signal_group(process.pid, signal.SIGKILL)
                process.wait()
        self.record.unlink(missing_ok=True)


def signal_group(pid: int, sign: signal.Signals, *, only_leader: bool = False) -> None:
    try:
        if only_leader:
            os.kill(pid, sign)
        else:
            os.killpg(pid, sign)
    except (ProcessLookupError, PermissionError):
        return


def recorded(record: Path) -> tuple[int, list[int]]:
    """The supervisor and children of the demo that wrote this record; zero and none without one."""
    try:
        seen = json.loads(record.read_text())
        return int(seen["supervisor"]), [int(pid) for pid in seen["children"]]
    except (OSError, ValueError, KeyError, TypeError):
        return 0, []


def is_ours(pid: int) -> bool:
    """Whether a live process belongs to this folder's demo: it runs our environment's Python."""
    place = Path(f"/proc/{pid}/cmdline")
    try:
        if Path("/proc/self/cmdline").exists():
            words = place.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        else:
            command = ["ps", "-o", "command=", "-p", str(pid)]
            words = subprocess.run(command, check=False, capture_output=True, text=True).stdout
    except OSError:
        return False
    return str(PROJECT / ".venv") in words or "tools/dev.py" in words


def end_leftovers(record: Path) -> int:
    """End what a demo left running whose own supervisor was killed; how many there were."""
    _supervisor, children = recorded(record)
    left = [pid for pid in children if is_ours(pid)]
    end_processes(left)
    record.unlink(missing_ok=True)
    return len(left)


def end_processes(left: Sequence[int]) -> None:
    """Ask processes of ours to finish, then insist."""
    for sign, seconds in ((signal.SIGTERM, GRACE), (signal.SIGKILL, 3.0)):
        for pid in left:
            signal_group(pid, sign, only_leader=sign == signal.SIGTERM)
        until = time.monotonic() + seconds
        while any(is_ours(pid) for pid in left) and time.monotonic() < until:
            time.sleep(0.1)
