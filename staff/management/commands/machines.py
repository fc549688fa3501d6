"""Prints the state machines from the code, or writes them into DEVELOPERS.md."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser

from staff.ledger.diagram import as_markdown
from staff.ledger.registry import walls

START, END = (
    "<!-- machines: printed from the code by `manage.py machines --write` -->",
    "<!-- end of machines -->",
)


def machines_markdown() -> str:
    """Every machine as a diagram and a table."""
    return "\n".join(as_markdown(ledger.machine) for ledger in walls)


def with_machines(text: str) -> str:
    """The text with the part between the marks replaced by what the code says."""
    head, _, rest = text.partition(START)
    _, _, tail = rest.partition(END)
    return f"{head}{START}\n\n{machines_markdown()}\n{END}{tail}"


class Command(BaseCommand):
    """Diagrams of what may follow what."""

    help = "Print the state machines, or write them into DEVELOPERS.md with --write."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--write", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["write"]:
            path = Path(settings.BASE_DIR) / "DEVELOPERS.md"
            path.write_text(with_machines(path.read_text()))
        else:
            self.stdout.write(machines_markdown())
