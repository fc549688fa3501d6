"""Founds a programme in a new installation from a plan in TOML; deploy/programme.example.toml is one."""

import getpass
import json
import sys
import tomllib
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError, transaction

from oversight.services.foundation import programme_found
from staff.errors import RoundbookError
from staff.models import User


class Command(BaseCommand):
    """`found PLAN --proposed-by NAME --approved-by NAME`: the approver types their own password."""

    help = "Lay down sites, areas, practices and the first protocol. Exit status: 0 done, 1 refused; nothing half."

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("plan", type=Path, help="the plan, in TOML")
        parser.add_argument("--proposed-by", required=True, help="an administrator or manager")
        parser.add_argument("--approved-by", required=True, help="a clinician, somebody else")
        parser.add_argument(
            "--stdin", action="store_true", help="read the approver's password from standard input"
        )
        parser.add_argument("--dry-run", action="store_true", help="try it and take it back")
        parser.add_argument("--json", action="store_true", help="one JSON object")

    def handle(self, *args: Any, **options: Any) -> None:
        """Do it in one transaction."""
        try:
            plan = tomllib.loads(options["plan"].read_text())
        except (OSError, ValueError) as error:
            raise CommandError(f"{options['plan']} cannot be read: {error}") from error
        proposer, approver = (_user(options[name]) for name in ("proposed_by", "approved_by"))
        asked = f"Password of {approver.full_name}, who approves: "
        password = sys.stdin.readline().rstrip("\n") if options["stdin"] else getpass.getpass(asked)
        if not approver.is_active or not approver.check_password(password):
            raise CommandError("That is not the approver's password. Nothing was laid down.")
        try:
            with transaction.atomic():
                protocol = programme_found(proposed_by=proposer, approved_by=approver, plan=plan)
                if options["dry_run"]:
                    transaction.set_rollback(True)
        except RoundbookError as error:
            raise CommandError(str(error.sentence)) from error
        except DatabaseError as error:
            raise CommandError(f"The database refuses the plan, nothing was laid down: {error}") from error
        told = {
            "protocol": protocol.name,
            "in_force_from": str(protocol.valid_from),
            "dry_run": options["dry_run"],
        }
        words = ", ".join(f"{key} {value}" for key, value in told.items())
        self.stdout.write(json.dumps(told) if options["json"] else words)


def _user(name: str) -> User:
    found = User.objects.filter(username__iexact=name).first()
    if found is None:
        raise CommandError(f"There is nobody called {name!r}.")
    return found
