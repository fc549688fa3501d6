"""What the machine must bring along: system libraries, a font, a browser; installed, or named."""

import ctypes
import os
import shutil
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tools.say import StopError, say, warn

LETTERS = "letters"
PAGE_TESTS = "page tests"
PROXY_TESTS = "tests of the production shape"
BROWSERS = ("chromium", "chromium-browser")
PROXIES = ("/usr/sbin/nginx", "/usr/local/sbin/nginx")


@dataclass(frozen=True)
class Need:
    """One thing the system may lack, the Debian package that brings it, and who misses it."""

    name: str
    package: str
    purpose: str
    present: Callable[[], bool]


def library(*names: str) -> Callable[[], bool]:
    """A check that one of these shared libraries loads."""

    def present() -> bool:
        return any(_loads(name) for name in names)

    return present


def _loads(name: str) -> bool:
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def font_folders() -> list[Path]:
    home = Path.home()
    shared = os.environ.get("XDG_DATA_HOME", "")
    places = [
        Path("/usr/share/fonts"),
        Path("/usr/local/share/fonts"),
        Path("/Library/Fonts"),
        home / ".fonts",
    ]
    return [*places, Path(shared or home / ".local/share") / "fonts"]


def has_font() -> bool:
    """A font with left-to-right and right-to-left scripts, as letters in several languages need."""
    return any(next(folder.rglob("DejaVuSans.ttf"), None) for folder in font_folders() if folder.is_dir())


def has_browser() -> bool:
    return any(shutil.which(name) for name in BROWSERS)


def has_proxy() -> bool:
    """Servers stand in folders that an ordinary user's path leaves out."""
    return shutil.which("nginx") is not None or any(Path(path).exists() for path in PROXIES)


LETTER_NEEDS = (
    Need("Pango", "libpango-1.0-0", LETTERS, library("libpango-1.0.so.0", "libpango-1.0.dylib")),
    Need(
        "Pango for FreeType",
        "libpangoft2-1.0-0",
        LETTERS,
        library("libpangoft2-1.0.so.0", "libpangoft2-1.0.dylib"),
    ),
    Need(
        "the HarfBuzz subsetter",
        "libharfbuzz-subset0",
        LETTERS,
        library("libharfbuzz-subset.so.0", "libharfbuzz-subset.dylib"),
    ),
    Need("the DejaVu fonts", "fonts-dejavu-core", LETTERS, has_font),
)
TEST_NEEDS = (
    *LETTER_NEEDS,
    Need("Chromium", "chromium", PAGE_TESTS, has_browser),
    Need("nginx", "nginx-light", PROXY_TESTS, has_proxy),
    Need("OpenSSL", "openssl", PROXY_TESTS, lambda: shutil.which("openssl") is not None),
)


def missing(needs: Sequence[Need]) -> list[Need]:
    return [need for need in needs if not need.present()]


def install_command(needs: Sequence[Need], *, as_root: bool) -> str:
    packages = " ".join(need.package for need in needs)
    sudo = "" if as_root else "sudo "
    return f"{sudo}apt-get update && {sudo}apt-get install -y --no-install-recommends {packages}"


def explain(needs: Sequence[Need], *, debian: bool, as_root: bool) -> str:
    """What is missing, what will not work without it, and the command that brings it."""
    lines = [f"  - {need.name}: needed for {need.purpose}" for need in needs]
    if debian:
        cure = f"Install it with:\n  {install_command(needs, as_root=as_root)}"
    else:
        names = ", ".join(need.package for need in needs)
        cure = f"Install what your system calls by names like these (they are Debian's): {names}"
    return "This machine lacks:\n" + "\n".join(lines) + "\n" + cure


def is_debian() -> bool:
    return shutil.which("apt-get") is not None


def is_root() -> bool:
    return os.geteuid() == 0


def apt_install(packages: Sequence[str]) -> bool:
    """Install packages as root without questions; True when that worked."""
    env = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    say(f"Installing system packages: {' '.join(packages)} …")
    steps = (["update", "-q"], ["install", "-y", "-q", "--no-install-recommends", *packages])
    for step in steps:
        done = subprocess.run(
            ["apt-get", *step], env=env, check=False, capture_output=True, text=True, errors="replace"
        )
        if done.returncode != 0 and step[0] == "install":
            warn("\n".join((done.stdout + done.stderr).splitlines()[-6:]))
            return False
    return True


def provide(needs: Sequence[Need], *, may_go_on: bool) -> None:
    """Bring what is missing where we may; else name the command, and stop unless only letters suffer."""
    lacking = missing(needs)
    if lacking and is_debian() and is_root():
        apt_install([need.package for need in lacking])
        lacking = missing(needs)
    if not lacking:
        return
    words = explain(lacking, debian=is_debian(), as_root=is_root())
    if not may_go_on:
        raise StopError(words)
    warn(f"{words}\nGoing on without it: everything works except making {LETTERS}.\n")
