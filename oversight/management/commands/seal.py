"""Seal what came since the last seal, or verify the whole chain and name the first altered row."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection, transaction

from oversight.models import Seal
from oversight.seal.sql import STEADY
from oversight.services.seal import PART_ROWS, day_sealed, seal_night
from oversight.services.seal_verify import seals_verify
from staff import clock
from staff.models import User


class Command(BaseCommand):
    """Exit status 0 when all verifies or a seal was made, 2 when a row was altered, inserted or deleted."""

    help = "Seal today's ledger and history rows, or with --verify hold every sealed row against the chain."

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("--verify", action="store_true", help="verify instead of sealing")
        parser.add_argument(
            "--all", action="store_true", help="with --verify: name every altered row, not the first only"
        )
        parser.add_argument("--json", action="store_true", help="one JSON object instead of words")
        parser.add_argument(
            "--part-rows",
            type=int,
            default=PART_ROWS,
            help=f"rows sealed in one transaction (default {PART_ROWS:,}); one killed goes on from its last part",
        )
        parser.add_argument("--dry-run", action="store_true", help="say what would be sealed, seal nothing")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Seal or verify, print, and set the exit status."""
        if options["verify"]:
            self._verify(every=options["all"], as_json=options["json"])
            return
        if options["dry_run"]:
            last = Seal.objects.order_by("-pk").first()
            self.stdout.write(
                f"Would seal {clock.today()}; the last seal is of {last.day if last else 'no day'}."
            )
            return
        if options["part_rows"] < 1:
            raise CommandError("A part holds at least one row. Give --part-rows a larger number.")
        seal = seal_night(by=User.objects.system(), day=clock.today(), part_rows=options["part_rows"])
        rows, seconds = day_sealed(seal.day) if seal else (0, 0.0)
        if seal is None:
            self.stdout.write(f"{clock.today()} is sealed already.")
        elif options["json"]:
            told = {"day": str(seal.day), "parts": seal.part, "rows": rows, "digest": seal.digest}
            self.stdout.write(json.dumps(told))
        else:
            parts = f" in {seal.part} parts" if seal.part > 1 else ""
            self.stdout.write(f"{seal.day}: {rows:,} rows sealed{parts} in {seconds:.1f} s, {seal.digest}")

    def _verify(self, *, every: bool, as_json: bool) -> None:
        found = []
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute(STEADY)
            for broken in seals_verify():
                found.append(broken)
                if not every:
                    break
        seals = Seal.objects.count()
        if as_json:
            rows = [{"day": str(b.day), "table": b.table, "id": b.id, "how": b.how} for b in found]
            self.stdout.write(json.dumps({"seals": seals, "broken": rows}))
        elif not found:
            self.stdout.write(f"{seals} seals verify; every sealed row is as it was.")
        else:
            for broken in found:
                self.stdout.write(str(broken))
        if found:
            raise SystemExit(2)
