"""Note a restore drill: hold the report of a restored backup against this registry."""

import json
from datetime import datetime
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from oversight.models import RestoreDrill
from oversight.services.drills import drill_note, restored_report
from staff import clock
from staff.models import User


class Command(BaseCommand):
    """Exit status 0 when the backup came back whole, 2 when it did not."""

    help = (
        "With --report, run on a restored backup: print what it holds. Without, run on the registry: read that report and"
        " keep what the comparison shows."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("file", nargs="?", help="the report of the restored backup")
        parser.add_argument(
            "--report", action="store_true", help="print the report of this (restored) database"
        )
        parser.add_argument("--kind", choices=RestoreDrill.Kind.values, default=RestoreDrill.Kind.DUMP.value)
        parser.add_argument(
            "--taken-at", type=datetime.fromisoformat, help="when the backup was taken (default: now)"
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Report, or compare and keep."""
        if options["report"]:
            self.stdout.write(json.dumps(restored_report(), default=str))
            return
        if not options["file"]:
            raise CommandError("Name the report of the restored backup, or make one there with --report.")
        report = json.loads(Path(options["file"]).read_text())
        drill = drill_note(
            by=User.objects.system(),
            report=report,
            kind=options["kind"],
            taken_at=options["taken_at"] or clock.now(),
        )
        whole = drill.ledgers_equal and not drill.violated
        self.stdout.write(
            f"{drill.checks} checks, {len(drill.violated)} do not hold; ledgers and seals"
            f" {'equal ours' if drill.ledgers_equal else 'differ: ' + '; '.join(drill.differences)}."
        )
        if not whole:
            raise SystemExit(2)
