"""area_desks: which desk opens the post of an area, so that a sack unopened there delays only its own people (R12)."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from outreach.models import AreaDesk
from screening.models import Area
from staff.acting import acting
from staff.models import Site, User


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
        with transaction.atomic(), acting(User.objects.system(), reason="desks of areas"):
            for pair in options["pairs"]:
                self._set(*pair.partition("=")[::2])
            desks = dict(AreaDesk.objects.order_by("area__code").values_list("area__code", "site__code"))
            if options["dry_run"]:
                transaction.set_rollback(True)
        self.stdout.write(json.dumps({"dry_run": options["dry_run"], "desks": desks}, sort_keys=True))

    def _set(self, area_code: str, desk_code: str) -> None:
        area = Area.objects.filter(code=area_code).first()
        desk = Site.objects.filter(code=desk_code, receives_kits=True).first()
        if area is None or (desk_code and desk is None):
            raise CommandError(
                f"{area_code}={desk_code}: no such area, or no desk of that code that receives kits."
            )
        if desk is None:
            AreaDesk.objects.filter(area=area).delete()
        else:
            AreaDesk.objects.update_or_create(area=area, defaults={"site": desk})
