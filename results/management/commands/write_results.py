"""`manage.py write_results FOLDER --since DAY`: results as HL7 v2 files for another system to fetch."""

from datetime import date, timedelta
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from results.services.result_messages import results_to_folder
from screening.management.common import REFUSED, OfficeCommand
from staff import clock


class Command(OfficeCommand):
    """`write_results FOLDER [--since 2026-06-17] [--by NAME]`."""

    help = (
        "Write every result released, amended or withdrawn since a day as an HL7 v2.5.1 ORU^R01 file; what is there is left "
        "alone. Exit status: 0 done, 1 refused."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("folder", type=Path)
        parser.add_argument(
            "--since", type=date.fromisoformat, help="first day, YYYY-MM-DD; without it, yesterday"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Write them and say how many."""
        by, folder = self.who(options), options["folder"]
        since = options["since"] or clock.today() - timedelta(days=1)
        try:
            if not options["dry_run"]:
                folder.mkdir(parents=True, exist_ok=True)
            done = results_to_folder(by=by, folder=folder, since=since, dry_run=options["dry_run"])
        except OSError as error:
            raise CommandError(
                f"{folder} cannot be written: {error.strerror}.", returncode=REFUSED
            ) from error
        words = f"{done['written']} results written, {done['before']} were there before."
        self.sum_up(options, words, since=since, written=done["written"], before=done["before"])
