"""What the commands of this part share: who acts, the summary, and the exit status."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from staff.models import User

DONE, REFUSED, HELD = 0, 1, 3


class Rehearsed(Exception):
    """Raised to take a dry run back."""


class OfficeCommand(BaseCommand):
    """A command with `--by`, `--dry-run` and `--json`; exit status 0 done, 1 refused, 3 held."""

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--by", default="", metavar="NAME", help="sign-in name of who acts; without it, the system"
        )
        parser.add_argument("--dry-run", action="store_true", help="say what would happen and change nothing")
        parser.add_argument("--json", action="store_true", help="print the summary as JSON on one line")

    def who(self, options: dict[str, Any]) -> User:
        """Who acts."""
        if not options["by"]:
            return User.objects.system()
        user = User.objects.filter(username__iexact=options["by"], is_active=True).first()
        if user is None:
            raise CommandError(
                f"Nobody may sign in as {options['by']!r}. Give a sign-in name after --by.",
                returncode=REFUSED,
            )
        return user

    def tell(self, options: dict[str, Any], words: str) -> None:
        """Progress, for people only."""
        if not options["json"] and options["verbosity"] > 0:
            self.stderr.write(words)

    def sum_up(self, options: dict[str, Any], words: str, **facts: Any) -> None:
        """The summary: a sentence, or JSON."""
        facts = {**facts, "dry_run": options["dry_run"]}
        self.stdout.write(json.dumps(facts, default=str) if options["json"] else words)
