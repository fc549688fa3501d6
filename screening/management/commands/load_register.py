"""Loads a register file: checks it, says what it would do, applies it when told to."""

import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.db import transaction

from screening.management.common import DONE, HELD, REFUSED, OfficeCommand, Rehearsed
from screening.models import RegisterLoad
from screening.services.register import applied_before, register_apply, register_effect, register_stage
from screening.services.register_at_once import register_load
from staff.errors import RoundbookError
from staff.models import User


class Command(OfficeCommand):
    """`load_register FILE [--full] [--yes] [--release]`."""

    help = "Check a register file and apply it. Exit status: 0 done, 1 refused, 3 held for a second person."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("file", type=Path)
        parser.add_argument("--full", action="store_true", help="the file is the whole register")
        parser.add_argument("--yes", action="store_true", help="apply without asking")
        parser.add_argument(
            "--release", action="store_true", help="release a held file that somebody else loaded"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        by = self.who(options)
        try:
            content = options["file"].read_bytes()
        except OSError as error:
            raise CommandError(
                f"{options['file']} cannot be read: {error.strerror}.", returncode=REFUSED
            ) from error
        status = 0
        with suppress(Rehearsed), transaction.atomic():
            status = self._run(by, content, options)
            if options["dry_run"]:
                raise Rehearsed
        if status:
            sys.exit(status)

    def _run(self, by: User, content: bytes, options: dict[str, Any]) -> int:
        """Stage and apply; a held file stays staged for the second person. Returns the exit status."""
        self.tell(options, f"Checking {options['file'].name} …")
        known = applied_before(content)
        if known is not None:
            return self._report(options, known, "This very file was applied before. Nothing was changed.")
        at_once = options["yes"] or options["dry_run"]
        take = register_load if at_once else register_stage
        try:
            load = take(by=by, content=content, file_name=options["file"].name, is_full=options["full"])
            if not (at_once or self._wanted(load, options)):
                words = "The file waits to be applied. Run again with --yes, or open it on the page."
                return self._report(options, load, words)
            self.tell(options, "Applying …")
            load = register_apply(by=by, load=load, override_hold=options["release"])
        except RoundbookError as error:
            held = error.code in {"load_held", "second_person"}
            facts = {"status": "held" if held else "refused", "code": error.code, "reason": error.sentence}
            self.sum_up(options, f"{'Held' if held else 'Refused'}. {error.sentence}", **facts)
            return HELD if held else REFUSED
        return self._report(
            options, load, "Nothing was changed: dry run." if options["dry_run"] else "Applied."
        )

    def _wanted(self, load: RegisterLoad, options: dict[str, Any]) -> bool:
        """Whether to apply: told so, or asked and answered; a held file goes on to be refused by its hold."""
        if options["yes"] or options["release"] or load.status == RegisterLoad.Status.HELD:
            return True
        if not sys.stdin.isatty():
            return False
        effect = register_effect(load)
        question = f"{effect.created} new, {effect.changed} changed, {load.refused} refused. Apply? [y/N] "
        return input(question).strip().lower() in {"y", "yes"}

    def _report(self, options: dict[str, Any], load: RegisterLoad, words: str) -> int:
        facts = {
            "load": load.pk, "status": str(load.status), "lines": load.lines, "created": load.created, "changed": load.changed,
            "unchanged": load.unchanged, "refused": load.refused,
        }  # fmt: skip
        counts = ", ".join(
            f"{name} {facts[name]}" for name in ("lines", "created", "changed", "unchanged", "refused")
        )
        self.sum_up(options, f"{words} {counts}.", **facts)
        return DONE
