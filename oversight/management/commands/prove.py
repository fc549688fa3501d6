"""Run every check of the safety net now and say what holds."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from oversight.checks import CHECKS
from oversight.models import ProofRun
from oversight.services.changed import prove_changed
from oversight.services.proofs import p1_violations, prove, run_as_dict
from staff.models import User


class Command(BaseCommand):
    """Exit status 0 when no check of severity P1 is violated, 2 when one is."""

    help = (
        "Run every check in one snapshot, store what was found, and end with status 2 when a P1 is violated."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("--json", action="store_true", help="one JSON object instead of a table")
        parser.add_argument(
            "--changed",
            action="store_true",
            help="look again only at whom something changed for since the last run",
        )
        parser.add_argument("--dry-run", action="store_true", help="say what would be checked, check nothing")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Run, print, and set the exit status."""
        if options["dry_run"]:
            self._say_what(as_json=options["json"])
            return
        run = (prove_changed if options["changed"] else prove)(by=User.objects.system())
        if options["json"]:
            self.stdout.write(json.dumps(run_as_dict(run), ensure_ascii=False))
        else:
            self._table(run)
        if p1_violations(run):
            raise SystemExit(2)

    def _say_what(self, *, as_json: bool) -> None:
        rows = [
            {"name": c.name, "severity": str(c.severity), "sentence": str(c.sentence)}
            for c in CHECKS.values()
        ]
        if as_json:
            self.stdout.write(json.dumps({"would_check": rows}, ensure_ascii=False))
            return
        for row in rows:
            self.stdout.write(f"{row['name']:<6}{row['severity']:<4}{row['sentence']}")

    def _table(self, run: ProofRun) -> None:
        for result in run.results.order_by("pk"):
            check = CHECKS[result.check_name]
            verdict = "holds" if not result.violating else f"VIOLATED by {result.violating}"
            oldest = f", oldest {result.oldest_days} days" if result.oldest_days is not None else ""
            self.stdout.write(
                f"{check.name:<6}{check.severity:<4}{verdict}{oldest} (of {result.checked} checked): {check.title}"
            )
        waiting = ", ".join(f"{one.name} {one.waiting}" for one in run.net.order_by("pk") if one.waiting)
        if run.kind == ProofRun.Kind.FULL:
            self.stdout.write(f"Waiting: {waiting or 'nobody'}")
        self.stdout.write(f"{len(CHECKS)} checks over {run.get_kind_display()} in {run.seconds:.2f} s")
