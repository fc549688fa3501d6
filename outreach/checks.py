"""System checks: the libraries that lay out letters are there, or the command that installs them is named."""

from ctypes.util import find_library
from typing import Any

from django.core.checks import CheckMessage, Warning

INSTALL = "apt-get install -y libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core"
PANGO = ("pango-1.0", "pangoft2-1.0")


def letter_libraries(app_configs: Any, **_: Any) -> list[CheckMessage]:
    """W001: letters cannot be laid out. W002: they can, but slowly."""
    found: list[CheckMessage] = []
    missing = [name for name in PANGO if find_library(name) is None]
    if missing:
        found.append(
            Warning(
                f"Letters cannot be made: the system lacks {', '.join(f'lib{name}' for name in missing)}."
                " Letters are planned and frozen, and wait.",
                hint=f"Run: {INSTALL}",
                id="outreach.W001",
            )
        )
    if find_library("harfbuzz-subset") is None:
        found.append(
            Warning(
                "Letters are made about five times slower: the system lacks libharfbuzz-subset.",
                hint=f"Run: {INSTALL}",
                id="outreach.W002",
            )
        )
    return found
