"""DEVELOPERS.md shows the machines as they are."""

from pathlib import Path

from staff.management.commands.machines import with_machines

PAGE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"


def test_the_diagrams_are_printed_from_the_code() -> None:
    assert PAGE.read_text() == with_machines(PAGE.read_text())
