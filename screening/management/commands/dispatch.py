"""Hands an invitation batch to the post."""

from contextlib import suppress
from dataclasses import asdict
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.db import transaction

from screening.management.common import REFUSED, OfficeCommand, Rehearsed
from screening.services.batches import batch_counts, batch_dispatch, batch_find, batch_left_out
from staff.errors import RoundbookError


class Command(OfficeCommand):
    """`dispatch BATCH`."""

    help = "Hand a batch to the post; a second time does nothing. Exit status: 0 done, 1 refused."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("batch", help="number of the batch, as on the page")

    def handle(self, *args: Any, **options: Any) -> None:
        by = self.who(options)
        self.tell(options, f"Handing batch {options['batch']} to the post …")
        with suppress(Rehearsed), transaction.atomic():
            try:
                batch = batch_find(options["batch"])
                sent = batch_dispatch(by=by, batch=batch)
            except RoundbookError as error:
                raise CommandError(str(error.sentence), returncode=REFUSED) from error
            counts, left_out = batch_counts([batch])[batch.pk], dict(batch_left_out(batch))
            words = f"Batch {batch.number}: {sent} kits handed to the post now, {counts.sent} in all, {counts.left_out} left out."
            self.sum_up(options, words, batch=batch.number, sent_now=sent, **asdict(counts), reasons=left_out)
            if options["dry_run"]:
                raise Rehearsed
