"""Lays a synthetic programme into an empty database: the demo region, training data, a dress rehearsal of a protocol."""

import json
import sys
import time
from argparse import ArgumentParser
from datetime import date, timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from oversight.models import Rehearsal
from oversight.rehearsal.desks import collecting_seldom
from oversight.rehearsal.engine import rehearse
from oversight.rehearsal.one_desk import one_desk_rehearse
from screening.models import Person
from staff import clock

HALF_FINISHED = 3


class Command(BaseCommand):
    """Exit 0: done, or already there with --if-empty. Exit 3: a rehearsal was interrupted half-way."""

    help = "Play a synthetic programme through the real services, from its first invitation to today."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--invited", type=int, default=20_000, help="people invited (default 20,000)")
        parser.add_argument(
            "--seed", type=int, default=26, help="the dice; the same seed gives the same region"
        )
        parser.add_argument(
            "--today",
            type=date.fromisoformat,
            default=None,
            help="lay it out relative to this day and play it too (default: the real one, played until yesterday evening)",
        )
        parser.add_argument(
            "--one-desk", action="store_true", help="lay down a small clinic of one desk instead (R15)"
        )
        parser.add_argument("--complete", action="store_true", help="go on until every follow-up is over")
        parser.add_argument(
            "--if-empty", action="store_true", help="do nothing when a rehearsal is there already"
        )
        parser.add_argument("--dry-run", action="store_true", help="say what would be done")
        parser.add_argument("--json", action="store_true", help="print the summary as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        known = Rehearsal.objects.order_by("-pk").first()
        if known is not None and known.status == Rehearsal.Status.RUNNING:
            self.stderr.write(
                "A rehearsal was interrupted half-way. Start over with an empty database (make demo-reset)."
            )
            sys.exit(HALF_FINISHED)
        if known is not None and options["if_empty"]:
            self.stdout.write(
                f"The region is laid down already ({known.invited:,} invited, until {known.today})."
            )
            return
        if known is not None or Person.objects.exists():
            raise CommandError("This database holds people. A rehearsal needs an empty one.")
        today = options["today"] or clock.today()
        if options["dry_run"]:
            self.stdout.write(
                f"Would lay down a region with {options['invited']:,} invited, ending on {today}."
            )
            return
        if options["one_desk"]:
            self._one_desk(options["seed"], today, as_json=options["json"])
            return
        started = time.perf_counter()
        collecting_seldom()
        mark = rehearse(
            invited_people=options["invited"],
            seed=options["seed"],
            today=today,
            until=options["today"] or today - timedelta(days=1),
            tell=self._tell,
            complete=options["complete"],
        )
        seconds = time.perf_counter() - started
        if options["json"]:
            self.stdout.write(json.dumps({"seconds": round(seconds, 1)} | mark.summary))
        else:
            self.stdout.write("")
            counts = {name: count for name, count in mark.summary.items() if isinstance(count, int)}
            for name, count in sorted(counts.items()):
                self.stdout.write(f"  {name:<28}{count:>9,}")
            self.stdout.write(f"  done in {seconds:.0f} s; the people with a story: manage.py stories")

    _told = 0
    """How many twentieths of the work were told, where every line stays on the screen."""

    def _one_desk(self, seed: int, today: date, *, as_json: bool) -> None:
        mark, clinic = one_desk_rehearse(seed=seed, today=today)
        if as_json:
            self.stdout.write(json.dumps(mark.summary))
            return
        self.stdout.write(f"A clinic of one desk: {mark.invited} people invited; today's post holds")
        self.stdout.write("  " + " ".join(clinic.post))

    def _tell(self, words: str, share: float) -> None:
        if self.stderr.isatty():
            self.stderr.write(f"\r\033[K[{int(share * 100):3d} %] {words}", ending="")
        elif "," not in words or int(share * 20) > self._told:
            self._told = int(share * 20)
            self.stderr.write(f"[{int(share * 100):3d} %] {words}")
