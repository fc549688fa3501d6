"""Takes a mailing house's manifest: which letter was packed with which kit."""

import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.db import transaction

from outreach.services.packs import manifest_take
from screening.management.common import HELD, REFUSED, OfficeCommand, Rehearsed
from staff.errors import RoundbookError


class Command(OfficeCommand):
    """`take_manifest FILE --by NAME`."""

    help = (
        "Take a mailing house's file of packed letters and kits; the same file counts once. "
        "Exit status: 0 done, 1 refused, 3 taken but kits are in doubt."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        by, doubted = self.who(options), 0
        try:
            content = options["file"].read_bytes()
        except OSError as error:
            raise CommandError(
                f"{options['file']} cannot be read: {error.strerror}.", returncode=REFUSED
            ) from error
        with suppress(Rehearsed), transaction.atomic():
            try:
                taken = manifest_take(by=by, name=options["file"].name, content=content)
            except RoundbookError as error:
                raise CommandError(str(error.sentence), returncode=REFUSED) from error
            made = taken.manifest
            doubted = sum(one.kits for one in taken.doubts)
            words = (
                f"{made.lines} lines: {made.paired} right pairs, {made.refused} refused, {made.known} known before;"
                f" {doubted} kits in doubt."
            )
            facts = {"lines": made.lines, "paired": made.paired, "refused": made.refused, "known": made.known}
            self.sum_up(options, words, **facts, kits_in_doubt=doubted, known_file=taken.was_known)
            if options["dry_run"]:
                raise Rehearsed
        if doubted:
            sys.exit(HELD)
