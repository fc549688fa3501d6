"""Writes an invented readings file for the vials that lie on the demo's bench, to be loaded by hand."""

import csv
import random
from argparse import ArgumentParser
from collections.abc import Iterator
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from oversight.models import Rehearsal
from results.lab_formats.csv_readings import COLUMNS
from results.models import Sample
from screening.serials import serial_make

SAID = ("<4", "0", "99.75", ">1000")
"""What the first vials read: below the detection limit, nothing, just under 20 µg/g (shown as 20.0), over the scale."""
FAULTS = (("", ""), ("12,5", ""), ("see note", ""), ("", "CLOT"))
"""Values and flags of the faulty lines: blank, a decimal comma, text, and an analyser's flag (to be measured again)."""


class Command(BaseCommand):
    """Prints the file; exit 1 where no demo region is loaded, or where no vial waits."""

    help = "Print an invented readings file (ng/mL) for the vials on the demo's bench. Never for a real register."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--first", type=int, default=1, help="running number of the first line (1)")
        parser.add_argument("--bad", action="store_true", help="the last vials get faulty lines, then a gap")

    def handle(self, *args: Any, **options: Any) -> None:
        if not Rehearsal.objects.filter(status=Rehearsal.Status.DONE).exists():
            raise CommandError("This is not a demo region, so no reading is invented here.")
        serials = list(
            Sample.objects.filter(state__in=["ready", "repeat"])
            .order_by("pk")
            .values_list("serial", flat=True)
        )
        if not serials:
            raise CommandError("No vial waits on the bench. Log the post, then look at Open the day.")
        writer = csv.writer(self.stdout, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(_lines(serials, options["first"], bad=options["bad"]))


def _lines(serials: list[str], first: int, *, bad: bool) -> Iterator[tuple[object, ...]]:
    draw = random.Random(serials[0])  # noqa: S311 - invented values, the same for the same bench
    faults = min(len(FAULTS), len(serials) - 1) if bad else 0
    number = first
    for number, serial in enumerate(serials, start=first):
        nth = number - first
        fault = nth - (len(serials) - faults)
        value, flag = FAULTS[fault] if fault >= 0 else (_value(nth, draw), "")
        yield number, serial, value, "ng/mL", flag, ""
    if bad:
        yield number + 1, serial_make(999_999_999), "5", "ng/mL", "", ""
        yield number + 3, serials[0], "5", "ng/mL", "", ""


def _value(nth: int, draw: random.Random) -> str:
    return SAID[nth] if nth < len(SAID) else f"{draw.lognormvariate(2.2, 0.9):.1f}"
