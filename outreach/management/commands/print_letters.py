"""print_letters: make print runs of frozen letters and lay out their documents."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db.models import Count

from outreach.catalogue import KINDS
from outreach.models import Letter, PrintDocument, PrintRun
from outreach.services.print_runs import LETTERS_A_DOCUMENT, print_run_make
from outreach.services.rendering import print_run_render
from staff.errors import RoundbookError
from staff.models import User


class Command(BaseCommand):
    """Prints a JSON summary; exit status 0 when every run has its document, 1 when one could not be made."""

    help = "Collect frozen letters into print runs and make their documents."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--kind", default="", choices=["", *KINDS], help="only letters of this kind")
        parser.add_argument("--by", default="", metavar="USER", help="sign-in name of the person who prints")
        parser.add_argument("--runs", type=int, default=20, help="most print runs to make")
        parser.add_argument(
            "--letters", type=int, default=LETTERS_A_DOCUMENT, help="most letters in one print run"
        )
        parser.add_argument("--to", type=Path, help="folder in which to write each document as a PDF")
        parser.add_argument("--dry-run", action="store_true", help="count what is ready and change nothing")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Make runs until nothing is ready, then say what was made."""
        if options["dry_run"]:
            ready = Letter.objects.filter(state="frozen")
            if options["kind"]:
                ready = ready.filter(kind=options["kind"])
            counts = dict(ready.values_list("kind").annotate(Count("pk")))
            self.stdout.write(json.dumps({"dry_run": True, "ready": counts}, sort_keys=True))
            return
        users = User.objects
        by = users.get_by_natural_key(options["by"]) if options["by"] else users.system()
        try:
            made = self._made(by, options)
        except (RoundbookError, OSError) as trouble:
            raise CommandError(
                f"A print run could not be laid out; it waits for the next sweep. {trouble}"
            ) from trouble
        self.stdout.write(json.dumps({"dry_run": False, "print_runs": made}, sort_keys=True))

    def _made(self, by: User, options: dict[str, Any]) -> list[dict[str, Any]]:
        made: list[dict[str, Any]] = []
        while len(made) < options["runs"]:
            run = print_run_make(
                by=by, kind=options["kind"], limit=min(options["letters"], LETTERS_A_DOCUMENT)
            )
            if run.status == PrintRun.Status.EMPTY:
                break
            run = print_run_render(by=by, print_run=run)
            if options["to"]:
                content = PrintDocument.objects.get(print_run=run).content
                (options["to"] / f"{run.number}.pdf").write_bytes(bytes(content))
            made.append(
                {
                    "number": run.number,
                    "letters": run.letters_count,
                    "pages": run.pages_count,
                    "sha256": run.sha256,
                }
            )
            self.stderr.write(f"{run.number}: {run.letters_count} letters, {run.pages_count} pages")
        return made
