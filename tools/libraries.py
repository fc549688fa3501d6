"""The project's own Python environment: made once, filled from the locked list, skipped when unchanged."""

import fcntl
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tools import machine
from tools.say import PROJECT, StopError, say

VENV = PROJECT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "roundbook-locks.json"
INCLUDES = {"demo.txt": ("demo.txt",), "dev.txt": ("dev.txt", "demo.txt")}


def lock_hash(name: str) -> str:
    return hashlib.sha256((PROJECT / "requirements" / name).read_bytes()).hexdigest()


def _stamps() -> dict[str, str]:
    try:
        found: dict[str, str] = json.loads(STAMP.read_text())
    except (OSError, ValueError):
        return {}
    return found


def ready(name: str) -> bool:
    """Whether this locked list is installed already, in an environment that still runs."""
    return _stamps().get(name) == lock_hash(name) and _runs()


def _runs() -> bool:
    if not PYTHON.exists():
        return False
    command = [str(PYTHON), "-c", "import sys; sys.exit(sys.version_info < (3, 11))"]
    return subprocess.run(command, check=False, capture_output=True).returncode == 0


def _uv() -> str | None:
    found = shutil.which("uv")
    if found and subprocess.run([found, "--version"], check=False, capture_output=True).returncode == 0:
        return found
    return None


def ensure(name: str) -> Path:
    """The environment's Python, with this locked list installed."""
    if ready(name):
        return PYTHON
    with _one_at_a_time():
        if not ready(name):
            uv = _uv()
            if not _runs():
                _make(uv)
            _fill(name, uv)
            stamps = {**_stamps(), **{part: lock_hash(part) for part in INCLUDES[name]}}
            STAMP.write_text(json.dumps(stamps, indent=1))
    return PYTHON


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    place = PROJECT / ".run"
    try:
        place.mkdir(mode=0o755, exist_ok=True)
        handle = os.open(place / "setup.lock", os.O_RDWR | os.O_CREAT, 0o600)
    except PermissionError as error:
        raise StopError(
            f"You may not write in {place}. Run this as the user who owns the folder, or copy the project to a "
            f"folder of your own."
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def venv_package() -> str:
    return f"python{sys.version_info.major}.{sys.version_info.minor}-venv"


def _require_venv() -> None:
    if _has_venv():
        return
    package = venv_package()
    if machine.is_debian() and machine.is_root() and machine.apt_install([package]):
        importlib.invalidate_caches()
        if _has_venv():
            return
    sudo = "" if machine.is_root() else "sudo "
    raise StopError(
        f"This Python cannot make environments: its ensurepip part is missing. On Debian or Ubuntu:\n"
        f"  {sudo}apt-get update && {sudo}apt-get install -y {package}\nThen run the same command again."
    )


def _has_venv() -> bool:
    return all(importlib.util.find_spec(name) for name in ("venv", "ensurepip"))


def _make(uv: str | None) -> None:
    say(f"Making a Python environment in {VENV.name} …")
    if VENV.is_symlink():
        VENV.unlink()
    if VENV.exists():
        shutil.rmtree(VENV)
    if uv:
        command = [uv, "venv", "--quiet", "--python", sys.executable, str(VENV)]
    else:
        _require_venv()
        command = [sys.executable, "-m", "venv", str(VENV)]
    if subprocess.run(command, check=False, cwd=PROJECT).returncode != 0:
        raise StopError(
            f"The environment could not be made in {VENV}. See the lines above; is the disk full?"
        )


def _fill(name: str, uv: str | None) -> None:
    say(f"Installing the libraries of requirements/{name} (the first time takes a minute or two) …")
    lock = str(PROJECT / "requirements" / name)
    if uv:
        command = [uv, "pip", "install", "--python", str(PYTHON), "--require-hashes", "-r", lock]
    else:
        _ensure_pip()
        command = [str(PYTHON), "-m", "pip", "install", "--disable-pip-version-check", "--quiet"]
        command += ["--progress-bar", "off", "--require-hashes", "-r", lock]
    if subprocess.run(command, check=False, cwd=PROJECT).returncode != 0:
        raise StopError(
            "The libraries could not be installed; the lines above say why. Is a Python package index reachable from "
            "here (a proxy may need PIP_INDEX_URL or HTTPS_PROXY)? Then run the same command again: it carries on."
        )


def _ensure_pip() -> None:
    has_pip = [str(PYTHON), "-m", "pip", "--version"]
    if subprocess.run(has_pip, check=False, capture_output=True).returncode == 0:
        return
    _require_venv()
    if subprocess.run([str(PYTHON), "-m", "ensurepip"], check=False, capture_output=True).returncode != 0:
        raise StopError(
            f"The environment in {VENV} has no pip. Remove that folder and run the same command again."
        )
