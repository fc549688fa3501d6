"""Prints the proxy's file with the names in ${ROUNDBOOK_…} taken from the environment, for hosts without containers."""

import os
import re
import sys
from pathlib import Path

NAME = re.compile(r"\$\{(ROUNDBOOK_[A-Z_]+)\}")


def main() -> int:
    """Zero when every name has a value; else 1, naming those that have none."""
    text = (Path(__file__).resolve().parent / "roundbook.conf.template").read_text()
    missing = sorted(set(NAME.findall(text)) - set(os.environ))
    if missing:
        sys.stderr.write(f"Set these first: {', '.join(missing)}\n")
        return 1
    sys.stdout.write(NAME.sub(lambda found: os.environ[found[1]], text))
    return 0


if __name__ == "__main__":
    sys.exit(main())
