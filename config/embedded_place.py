"""Where the embedded servers live on this machine: folders, sockets, the unprivileged user, the lock."""

import fcntl
import grp
import hashlib
import logging
import os
import pwd
import shutil
import stat
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

log = logging.getLogger("roundbook.embedded")

SERVICE_USER = "roundbook"
SOCKET_PATH_LIMIT = 100
PROJECT = Path(__file__).resolve().parent.parent
UNUSABLE = "\"'`\\$\n\r"
ENV_KEPT = ("PATH", "HOME", "TMPDIR", "LD_LIBRARY_PATH")


class EmbeddedServerError(RuntimeError):
    """An embedded server cannot run here; the text says why and what to do next."""


@dataclass(frozen=True)
class Account:
    """The system user a server process runs as."""

    name: str
    uid: int
    gid: int

    @property
    def is_us(self) -> bool:
        return self.uid == os.geteuid()


def run_dir() -> Path:
    """The folder that holds all running state: ROUNDBOOK_RUN_DIR, else .run beside the code."""
    chosen = os.environ.get("ROUNDBOOK_RUN_DIR", "")
    place = Path(chosen).expanduser().resolve() if chosen else PROJECT / ".run"
    if any(sign in str(place) for sign in UNUSABLE):
        raise EmbeddedServerError(
            f"The embedded servers cannot live in {place}: its path holds a quotation mark, a backslash, "
            f"a dollar sign or a line break. Set ROUNDBOOK_RUN_DIR to a folder without them."
        )
    return place


def socket_dir() -> Path:
    """A short private folder for the sockets, since a socket's path may not be long."""
    key = hashlib.sha256(os.fsencode(run_dir())).hexdigest()[:12]
    for parent in (Path("/tmp"), Path("/var/tmp"), Path(tempfile.gettempdir())):  # noqa: S108 - private folder, owner checked
        place = parent / f"rb-{key}"
        usable = parent.is_dir() and os.access(parent, os.W_OK | os.X_OK)
        if usable and len(str(place)) < SOCKET_PATH_LIMIT - len("/.s.PGSQL.5432.lock"):
            return place
    raise EmbeddedServerError(
        "There is no writable folder for temporary files with a short path. Make /tmp writable, "
        "or set DATABASE_URL and REDIS_URL to servers of your own."
    )


def account(data: Path) -> Account:
    """Who the servers run as: the caller, or, for root, an unprivileged user (servers refuse root)."""
    if os.geteuid() != 0:
        me = pwd.getpwuid(os.geteuid())
        return Account(me.pw_name, me.pw_uid, me.pw_gid)
    if data.exists() and data.stat().st_uid != 0:
        try:
            owner = pwd.getpwuid(data.stat().st_uid)
        except KeyError:
            log.info("The owner of %s is unknown here; its files are handed to %s.", data, SERVICE_USER)
        else:
            return Account(owner.pw_name, owner.pw_uid, owner.pw_gid)
    found = _find_user(SERVICE_USER) or _make_user() or _find_user("nobody")
    if found is None:
        raise EmbeddedServerError(
            f"The database refuses to run as root and no other user exists. "
            f"Run: useradd --system {SERVICE_USER}"
        )
    return found


def _find_user(name: str) -> Account | None:
    try:
        entry = pwd.getpwnam(name)
    except KeyError:
        return None
    return Account(entry.pw_name, entry.pw_uid, entry.pw_gid)


def _make_user() -> Account | None:
    useradd = shutil.which("useradd", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    if useradd is None:
        return None
    command = [useradd, "--system", "--no-create-home", "--shell", "/usr/sbin/nologin", SERVICE_USER]
    subprocess.run(command, check=False, capture_output=True)
    return _find_user(SERVICE_USER)


def own_folder(path: Path, who: Account, mode: int = 0o700) -> None:
    """Make the folder belong to the account, with everything in it, or say why it cannot."""
    if path.is_symlink():
        raise EmbeddedServerError(f"{path} is a link. Remove it and start again.")
    path.mkdir(mode=mode, parents=True, exist_ok=True)
    owner = path.stat().st_uid
    if owner != who.uid:
        if os.geteuid() != 0:
            raise EmbeddedServerError(
                f"{path} belongs to another user (number {owner}), so you ({who.name}) cannot use it. "
                f"Start as that user, or have it removed, or set ROUNDBOOK_RUN_DIR to a folder of your own."
            )
        hand_over(path, who)
    path.chmod(mode)


def hand_over(path: Path, who: Account) -> None:
    """Give a folder and all below it to the account (root only)."""
    os.chown(path, who.uid, who.gid)
    for folder, folders, files in os.walk(path):
        for name in (*folders, *files):
            os.chown(Path(folder) / name, who.uid, who.gid, follow_symlinks=False)


def write_for(path: Path, text: str, who: Account) -> None:
    """Write a file that the account may read, whatever the caller's mask."""
    path.write_text(text)
    path.chmod(0o600)
    if not who.is_us:
        os.chown(path, who.uid, who.gid)


def open_way(target: Path, who: Account) -> None:
    """As root, let the account pass through the parents of a path: passage only, never listing."""
    if who.is_us:
        return
    for parent in target.resolve().parents:
        state = parent.stat()
        if state.st_uid == who.uid or state.st_mode & stat.S_IXOTH:
            continue
        log.warning(
            "Letting the user %s pass through %s, so that the embedded servers can run.", who.name, parent
        )
        parent.chmod(stat.S_IMODE(state.st_mode) | stat.S_IXOTH)


def open_tree(tree: Path, who: Account) -> None:
    """As root, let the account read programs that were installed for root's eyes only."""
    if who.is_us or not tree.exists():
        return
    open_way(tree, who)
    for folder, _folders, files in os.walk(tree):
        for path in (Path(folder), *(Path(folder) / name for name in files)):
            mode = stat.S_IMODE(path.stat().st_mode)
            wanted = mode | stat.S_IROTH | (stat.S_IXOTH if mode & stat.S_IXUSR else 0)
            if wanted != mode:
                path.chmod(wanted)


def run_as(
    who: Account,
    command: Sequence[str | Path],
    *,
    cwd: Path,
    timeout: float,
    extra: Mapping[str, str] | None = None,
) -> subprocess.CompletedProcess[str]:
    """Run a server's program as the account, in its own session, with a clean environment."""
    env = {name: os.environ[name] for name in ENV_KEPT if name in os.environ}
    env.update(LC_ALL="C", TZ="UTC", **(extra or {}))
    return subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=env,
        user=None if who.is_us else who.uid,
        group=None if who.is_us else who.gid,
        extra_groups=None if who.is_us else _groups(who),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        start_new_session=True,
        umask=0o077,
        timeout=timeout,
        check=False,
    )


def _groups(who: Account) -> list[int]:
    return [entry.gr_gid for entry in grp.getgrall() if who.name in entry.gr_mem]


@contextmanager
def locked() -> Iterator[None]:
    """One process at a time may start or stop the servers of this run folder."""
    place = run_dir()
    try:
        place.mkdir(mode=0o755, parents=True, exist_ok=True)
        handle = os.open(place / "embedded.lock", os.O_RDWR | os.O_CREAT, 0o600)
    except PermissionError as error:
        raise EmbeddedServerError(
            f"You may not write in {place}: it was made by another user. Start as that user, or set "
            f"ROUNDBOOK_RUN_DIR to a folder of your own."
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def remove_socket_dir() -> None:
    """Take the socket folder away once no server uses it, so that another user may start here later."""
    if not run_dir().exists():
        return
    with locked():
        try:
            socket_dir().rmdir()
        except OSError as error:
            log.debug("The socket folder stays: %s", error)


def tail(path: Path, lines: int = 8) -> str:
    """The last lines of a server's log, for an error message."""
    try:
        return "\n".join(path.read_text(errors="replace").splitlines()[-lines:])
    except OSError:
        return ""


def process_command(pid: int) -> str | None:
    """The command line of a live process; None when it is gone."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return None
    except PermissionError:
        log.debug("Process %s belongs to another user.", pid)
    place = Path(f"/proc/{pid}/cmdline")
    if Path("/proc/self/cmdline").exists():
        try:
            return place.read_bytes().replace(b"\0", b" ").decode(errors="replace") or None
        except OSError:
            return None
    seen = subprocess.run(
        ["ps", "-o", "command=", "-p", str(pid)], check=False, capture_output=True, text=True
    )
    return seen.stdout.strip() or None
