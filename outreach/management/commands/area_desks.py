"""area_desks: which desk opens the post of an area, so that a sack unopened there delays only its own people (R12)."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from outreach.services.desks import area_desks_set, desks_of_areas
from staff.errors import RoundbookError
from staff.models import User


class Command(BaseCommand):
    """Prints a JSON summary; exit status 0 when it was set, 1 when an area or a desk is not known."""

    help = "Say which desk opens the post of an area. Areas without a desk may have their kits at any desk."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "pairs", nargs="*", metavar="AREA=DESK", help="codes; an empty desk takes it away"
        )
        parser.add_argument("--dry-run", action="store_true", help="say what would be set and change nothing")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Set every pair, or none."""
        wanted = {pair.partition("=")[0]: pair.partition("=")[2] for pair in options["pairs"]}
        with transaction.atomic():
            try:
                area_desks_set(by=User.objects.system(), wanted=wanted)
            except RoundbookError as error:
                raise CommandError(str(error.sentence)) from error
            desks = desks_of_areas()
            if options["dry_run"]:
                transaction.set_rollback(True)
        self.stdout.write(json.dumps({"dry_run": options["dry_run"], "desks": desks}, sort_keys=True))
