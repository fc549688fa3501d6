"""plan_letters: plan and freeze the letters that are owed, or repair a past period."""

import json
from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan, letters_repair
from staff.errors import RoundbookError
from staff.models import User


class Command(BaseCommand):
    """Plans by pull; prints a JSON summary; exit status 0 when it ran, 1 when the policy or database refused."""

    help = "Plan the letters that are owed, remind, and fix their words."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--repair",
            metavar="SINCE",
            type=date.fromisoformat,
            help="read the ledgers again since this day (YYYY-MM-DD) and add only what is missing",
        )
        parser.add_argument("--no-freeze", action="store_true", help="plan only; leave the words open")
        parser.add_argument("--limit", type=int, default=20_000, help="most letters to freeze")
        parser.add_argument(
            "--dry-run", action="store_true", help="say what would be done and change nothing"
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Run inside one transaction when dry, so that nothing stays."""
        system = User.objects.system()
        try:
            with transaction.atomic():
                done = self._done(system, options)
                if options["dry_run"]:
                    transaction.set_rollback(True)
        except RoundbookError as trouble:
            raise CommandError(str(trouble.sentence)) from trouble
        self.stdout.write(json.dumps({"dry_run": options["dry_run"]} | done, sort_keys=True))

    def _done(self, system: User, options: dict[str, Any]) -> dict[str, int]:
        since = options["repair"]
        done = letters_repair(by=system, since=since) if since else letters_plan(by=system)
        if not options["no_freeze"]:
            done["frozen"] = letters_freeze(by=system, limit=options["limit"])
        return done
