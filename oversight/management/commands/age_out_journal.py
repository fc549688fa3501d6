"""Show which entries of the access journal are older than they are kept, and let them go when two people say so."""

import json
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from oversight.services.journal_ageing import journal_age_out, journal_leaving
from staff import clock
from staff.errors import RoundbookError
from staff.models import User


class Command(BaseCommand):
    """Exit status 0 when shown or done, 1 when refused."""

    help = "Show what of the access journal is past its time; with two people's names, delete it. The seal keeps account of it."

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("--asked-by", metavar="USER", help="who asks for it: an administrator or manager")
        parser.add_argument(
            "--agreed-by", metavar="USER", help="who has looked at it and agrees: another of them"
        )
        parser.add_argument("--dry-run", action="store_true", help="show it only")
        parser.add_argument("--json", action="store_true", help="one JSON object instead of words")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Show, or delete and show."""
        leaving = journal_leaving(clock.today())
        names = [options["asked_by"], options["agreed_by"]]
        told: dict[str, Any] = {
            "before": str(leaving.before),
            "rows": leaving.rows,
            "people": leaving.people,
            "deleted": False,
        }
        if all(names) and not options["dry_run"]:
            try:
                done = journal_age_out(by=_user(names[0]), agreed_by=_user(names[1]))
            except RoundbookError as error:
                raise CommandError(str(error)) from error
            told["deleted"] = done is not None
        if options["json"]:
            self.stdout.write(json.dumps(told))
            return
        kept = f"kept for {settings.JOURNAL_KEPT_YEARS} years"
        self.stdout.write(
            f"{leaving.rows:,} entries before {leaving.before} about {leaving.people:,} people are past their time ({kept})."
        )
        if told["deleted"]:
            self.stdout.write("They are deleted; the seal knows which they were.")
        elif leaving.rows:
            self.stdout.write(
                "Nothing was deleted. To delete them name two people: --asked-by USER --agreed-by USER."
            )


def _user(name: str) -> User:
    user = User.objects.filter(username=name, is_active=True).first()
    if user is None:
        raise CommandError(f"There is no active account “{name}”. Give the sign-in name of a colleague.")
    return user
