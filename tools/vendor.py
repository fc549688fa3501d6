"""Fetches the browser libraries and fonts the pages use and records where each file came from.

Run it as ``python tools/vendor.py`` when a version below changes. It needs Node's ``npm`` for the
download; nothing is built. Each package is fetched with ``npm pack NAME@VERSION``, the named files and
their licences are copied into ``config/static/vendor/<folder>/``, and ``VENDORED.md`` there lists every
file with its SHA-256. A test recomputes those hashes, so a changed file is noticed.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

VENDOR = Path(__file__).resolve().parent.parent / "config" / "static" / "vendor"
MANIFEST = "VENDORED.md"
SOURCE_MAP = re.compile(rb"\s*(?://|/\*)[#@] sourceMappingURL=[^\n]*\n?")


@dataclass(frozen=True)
class Package:
    """One package to fetch: ``files`` maps a path inside the package to the name it gets here."""

    name: str
    version: str
    folder: str
    licence: str
    files: dict[str, str]


PACKAGES = (
    Package(
        name="htmx.org",
        version="2.0.10",
        folder="htmx",
        licence="0BSD",
        files={"dist/htmx.min.js": "htmx.min.js", "LICENSE": "LICENSE"},
    ),
    Package(
        name="echarts",
        version="6.1.0",
        folder="echarts",
        licence="Apache-2.0",
        files={
            "dist/echarts.min.js": "echarts.min.js",
            "LICENSE": "LICENSE",
            "NOTICE": "NOTICE",
            "licenses/LICENSE-d3": "LICENSE-d3",
        },
    ),
    Package(
        name="@fontsource/atkinson-hyperlegible",
        version="5.3.0",
        folder="atkinson-hyperlegible",
        licence="OFL-1.1",
        files={"LICENSE": "LICENSE"}
        | {
            f"files/atkinson-hyperlegible-{subset}-{weight}-{slope}.woff2": f"{subset}-{weight}-{slope}.woff2"
            for subset in ("latin", "latin-ext")
            for weight in ("400", "700")
            for slope in ("normal", "italic")
        },
    ),
)


def fetch(package: Package, into: Path) -> Path:
    """Download one package's archive with the registry client and return its path."""
    npm = shutil.which("npm")
    if npm is None:
        raise SystemExit("npm was not found. Install Node.js (it brings npm), then run this again.")
    command = [npm, "pack", "--silent", f"{package.name}@{package.version}"]
    done = subprocess.run(command, cwd=into, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"Could not fetch {package.name}@{package.version}:\n{done.stderr.strip()}")
    return into / done.stdout.strip().splitlines()[-1]


def unpack(package: Package, archive: Path, target: Path) -> None:
    """Copy the named files out of the archive, without the pointers to source maps we do not ship."""
    target.mkdir(parents=True, exist_ok=True)
    with tarfile.open(archive) as tar:
        for inside, name in package.files.items():
            member = tar.extractfile(f"package/{inside}")
            if member is None:
                raise SystemExit(f"{package.name}@{package.version} holds no file {inside}.")
            content = member.read()
            if name.endswith((".js", ".css")):
                content = SOURCE_MAP.sub(b"", content).rstrip() + b"\n"
            (target / name).write_bytes(content)


def manifest_lines(vendor: Path) -> Iterator[str]:
    """Write the table a reader, and the test, can check every file against."""
    yield "# Files from other projects\n"
    yield "Fetched unchanged by `tools/vendor.py` (only the pointer to a source map is cut off).\n"
    yield "| File | Package | Version | Licence | SHA-256 |"
    yield "|---|---|---|---|---|"
    for package in PACKAGES:
        for name in sorted(package.files.values()):
            digest = hashlib.sha256((vendor / package.folder / name).read_bytes()).hexdigest()
            path = f"{package.folder}/{name}"
            yield f"| {path} | {package.name} | {package.version} | {package.licence} | {digest} |"


def main() -> int:
    """Fetch every package afresh and rewrite the manifest."""
    for package in PACKAGES:
        with tempfile.TemporaryDirectory() as folder:
            archive = fetch(package, Path(folder))
            unpack(package, archive, VENDOR / package.folder)
        print(f"{package.name} {package.version}: {len(package.files)} files")
    (VENDOR / MANIFEST).write_text("\n".join(manifest_lines(VENDOR)) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
