"""Opens an invitation batch of the people who are due longest."""

from contextlib import suppress
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.db import transaction

from screening.management.common import REFUSED, OfficeCommand, Rehearsed
from screening.models import Area
from screening.services.batches import batch_open
from staff.errors import RoundbookError


class Command(OfficeCommand):
    """`open_batch N [--area CODE]`."""

    help = "Open an invitation batch. Exit status: 0 done, 1 refused (nobody due, too few kits)."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("size", type=int, help="how many people at most")
        parser.add_argument("--area", default="", help="code of the only area")

    def handle(self, *args: Any, **options: Any) -> None:
        area = Area.objects.filter(code=options["area"]).first() if options["area"] else None
        if options["area"] and area is None:
            raise CommandError(f"There is no area {options['area']!r}.", returncode=REFUSED)
        by = self.who(options)
        self.tell(options, f"Opening a batch of up to {options['size']} …")
        with suppress(Rehearsed), transaction.atomic():
            try:
                batch = batch_open(by=by, size=options["size"], area=area)
            except RoundbookError as error:
                raise CommandError(str(error.sentence), returncode=REFUSED) from error
            words = f"Batch {batch.number}: {batch.size} of {batch.asked_for} people."
            self.sum_up(options, words, batch=batch.number, size=batch.size, asked_for=batch.asked_for)
            if options["dry_run"]:
                raise Rehearsed
