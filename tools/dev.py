"""The front door: one command a purpose, from a bare machine; start it with any Python."""

import os
import shutil
import sys

OLDEST = (3, 11)
NEWER_NAMES = ("python3.14", "python3.13", "python3.12", "python3.11")


def _use_newer_python() -> None:
    """Carry on in a newer Python when this one is too old, or say what to install."""
    for name in NEWER_NAMES:
        found = shutil.which(name)
        if found:
            os.execv(found, [found, *sys.argv])  # noqa: S606 - a fixed program name, no shell wanted
    major, minor = sys.version_info[:2]
    sys.exit(
        f"Roundbook needs Python 3.11 or newer; this is {major}.{minor}.\n"
        "On Debian or Ubuntu: sudo apt-get install python3.11 python3.11-venv\n"
        "Then run the same command again."
    )


def main() -> int:
    """Check the Python, then hand over to the table of commands."""
    if sys.version_info[:2] < OLDEST:
        _use_newer_python()
    # Without stored bytecode every process starts three times slower; each start here is one of many.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    from tools.commands import run

    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
