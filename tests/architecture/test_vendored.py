"""Files taken from other projects are exactly those the vendoring tool recorded, with their licences."""

import hashlib
import re
from pathlib import Path

import pytest

from tools.vendor import PACKAGES, SOURCE_MAP

VENDOR = Path(__file__).resolve().parents[2] / "config" / "static" / "vendor"
ROW = re.compile(
    r"^\| (?P<path>\S+) \| (?P<name>\S+) \| (?P<version>\S+) \| (?P<licence>\S+) \| (?P<digest>\w{64}) \|$"
)


def recorded() -> dict[str, re.Match[str]]:
    """The rows of the manifest by the path of their file."""
    lines = (VENDOR / "VENDORED.md").read_text(encoding="utf-8").splitlines()
    return {row["path"]: row for line in lines if (row := ROW.match(line))}


@pytest.mark.parametrize("path", sorted(recorded()))
def test_a_vendored_file_is_unchanged(path: str) -> None:
    assert hashlib.sha256((VENDOR / path).read_bytes()).hexdigest() == recorded()[path]["digest"]


def test_every_file_is_recorded_and_every_record_has_a_file() -> None:
    present = {path.relative_to(VENDOR).as_posix() for path in VENDOR.rglob("*") if path.is_file()}
    assert present - {"VENDORED.md"} == set(recorded())


def test_the_record_says_what_the_tool_would_fetch() -> None:
    wanted = {f"{package.folder}/{name}": package for package in PACKAGES for name in package.files.values()}
    found = recorded()
    assert set(wanted) == set(found)
    for path, package in wanted.items():
        row = found[path]
        assert (row["name"], row["version"], row["licence"]) == (
            package.name,
            package.version,
            package.licence,
        )


@pytest.mark.parametrize("package", PACKAGES, ids=lambda package: package.folder)
def test_every_package_comes_with_its_licence(package: object) -> None:
    folder = VENDOR / getattr(package, "folder", "")
    assert (folder / "LICENSE").stat().st_size > 100


def test_no_file_points_to_a_source_map_that_is_not_there() -> None:
    assert not [path.name for path in VENDOR.rglob("*.js") if SOURCE_MAP.search(path.read_bytes())]
