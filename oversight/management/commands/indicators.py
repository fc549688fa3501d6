"""Print every indicator of a period with counts, interval, basis and maturity."""

import json
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from oversight.figures import Figure
from oversight.filters import Asked
from oversight.indicators import BREAKDOWNS, indicators
from oversight.periods import default_period, period_problem
from oversight.services.activity import activity_counts
from oversight.services.figures import Counted, Row, figures
from oversight.services.rollup import counted_first, fold_all, rebuild
from staff import clock


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"{text!r} is not a day; write it as 2026-03-31.") from error


class Command(BaseCommand):
    """Every figure carries numerator, denominator, interval, basis and maturity."""

    help = "Every indicator of a period, cut as asked. What is waiting is counted first."

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("--from", dest="since", default="", help="first day, as 2026-03-01")
        parser.add_argument("--to", dest="until", default="", help="last day, as 2026-03-31")
        parser.add_argument("--by", choices=list(BREAKDOWNS), default="", help="cut the figures by this")
        parser.add_argument("--json", action="store_true", help="one JSON object instead of a table")
        parser.add_argument(
            "--rebuild", action="store_true", help="count everything again from the ledgers first"
        )
        parser.add_argument(
            "--dry-run", action="store_true", help="read what is counted already, write nothing"
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Compute and print."""
        first, last = default_period(clock.today())
        since = _day(options["since"]) if options["since"] else first
        until = _day(options["until"]) if options["until"] else last
        if problem := period_problem(since, until):
            raise CommandError(str(problem))
        if not options["dry_run"]:
            if options["rebuild"] or not counted_first():
                self.stderr.write("Counting everything from the ledgers …")
                rebuild()
            fold_all()
        found = figures(Asked(since, until, options["by"] or "month"), list(indicators()), fold=False)
        if options["json"]:
            self.stdout.write(json.dumps(_as_dict(found, options["by"]), ensure_ascii=False))
            return
        self.stdout.write(f"{since} to {until}, data up to {found.cut_at.isoformat(timespec='seconds')}")
        self._print(found.total, "")
        for row in found.rows if options["by"] else ():
            self._print(row, row.label)

    def _print(self, row: Row, label: str) -> None:
        for key, figure in row.figures.items():
            self.stdout.write(f"{f'{label}: ' if label else ''}{indicators()[key].name}: {_words(figure)}")


def _words(figure: Figure) -> str:
    share = f"{figure.words} {figure.unit if figure.unit != '%' else ''}({figure.interval_words})"
    few = ", too few to judge" if figure.too_few else ""
    badge = figure.basis[0].upper()
    return f"{figure.numerator} of {figure.denominator} = {share} [{badge}, {figure.maturity.words}{few}]"


def _as_dict(found: Counted, by: str) -> dict[str, Any]:
    since, until = found.asked.since, found.asked.until
    counts = activity_counts(since=since, until=until)
    answer: dict[str, Any] = {
        "from": since.isoformat(),
        "to": until.isoformat(),
        "cut_at": found.cut_at.isoformat(),
        "counts": {name: getattr(counts, name) for name in counts.__slots__},
        "total": {key: f.as_dict() for key, f in found.total.figures.items()},
        "definitions": {key: one.digest for key, one in indicators().items()},
    }
    if by:
        answer["by"] = by
        answer["rows"] = [
            {"key": row.key, "label": row.label, "figures": {k: f.as_dict() for k, f in row.figures.items()}}
            for row in found.rows
        ]
    return answer
