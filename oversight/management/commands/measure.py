"""Measure our speed against bare limits, in throw-away databases; the database in use is never touched."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from oversight.measuring.figures import MEASUREMENTS, chosen, measure
from staff.errors import RoundbookError

HEAD = (
    "figure",
    "people",
    "items",
    "seconds",
    "limit s",
    "ratio",
    "p50 ms",
    "p95 ms",
    "MB",
    "×untuned",
    "no trigg.",
)
FIELDS = (
    "name",
    "people",
    "items",
    "seconds",
    "limit_seconds",
    "ratio",
    "p50_ms",
    "p95_ms",
    "peak_mb",
    "untuned",
    "untriggered",
)
WIDTHS = (22, 9, 8, 10, 10, 8, 9, 9, 7, 9, 9)


class Command(BaseCommand):
    """One line a figure; ratio is our rate over the rate of the bare limit timed in the same run, interleaved."""

    help = "Measure speed as ratios to bare limits. Names: " + ", ".join(MEASUREMENTS)

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("names", nargs="*", metavar="NAME", help="figures to measure; none: all of them")
        parser.add_argument("--people", type=int, default=100_000, help="people in the register")
        parser.add_argument("--json", action="store_true", help="one JSON object a line instead of a table")
        parser.add_argument(
            "--dry-run", action="store_true", help="say what would be measured, measure nothing"
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Measure and print each figure as soon as it is known."""
        try:
            if options["dry_run"]:
                for one in chosen(options["names"]):
                    self.stdout.write(f"{one.name}: against {one.limit}")
                return
            self._run(options["names"], people=options["people"], as_json=options["json"])
        except RoundbookError as error:
            raise CommandError(str(error)) from error

    def _run(self, names: list[str], *, people: int, as_json: bool) -> None:
        if not as_json:
            self.stdout.write("".join(f"{h:<{w}}" for h, w in zip(HEAD, WIDTHS, strict=True)))
        for found in measure(names, people=people, tell=self._tell):
            row = found.as_dict()
            if as_json:
                self.stdout.write(json.dumps(row, ensure_ascii=False))
            else:
                cells = (str(row.get(field, "–")) for field in FIELDS)
                self.stdout.write("".join(f"{c:<{w}}" for c, w in zip(cells, WIDTHS, strict=True)))
                self.stdout.write(f"    against {found.limit}")
            self.stdout.flush()

    def _tell(self, words: str) -> None:
        self.stderr.write(words)
