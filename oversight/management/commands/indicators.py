"""Print uptake and positivity of a period with counts, interval, basis and maturity."""

import json
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from oversight.figures import Figure
from oversight.indicators import BREAKDOWNS, INDICATORS
from oversight.periods import default_period, period_problem
from oversight.services.indicators import Breakdown, Row, activity_counts, positivity, uptake
from staff import clock


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"{text!r} is not a day; write it as 2026-03-31.") from error


class Command(BaseCommand):
    """Reads only; every figure carries numerator, denominator, interval, basis and maturity."""

    help = "Uptake (by month of invitation) and positivity (by month of release) of a period, cut as asked."

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("--from", dest="since", default="", help="first day, as 2026-03-01")
        parser.add_argument("--to", dest="until", default="", help="last day, as 2026-03-31")
        parser.add_argument("--by", choices=list(BREAKDOWNS), default="", help="cut the figures by this")
        parser.add_argument("--json", action="store_true", help="one JSON object instead of a table")
        parser.add_argument("--dry-run", action="store_true", help="the same: nothing is ever written")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Compute and print."""
        first, last = default_period(clock.today())
        since = _day(options["since"]) if options["since"] else first
        until = _day(options["until"]) if options["until"] else last
        if problem := period_problem(since, until):
            raise CommandError(str(problem))
        found = (uptake(since=since, until=until), positivity(since=since, until=until))
        if options["json"]:
            self.stdout.write(json.dumps(_as_dict(found, options["by"]), ensure_ascii=False))
            return
        self.stdout.write(f"{since} to {until}, data up to {found[0].cut_at.isoformat(timespec='seconds')}")
        for breakdown in found:
            self._print(breakdown.total, "")
            for row in breakdown.rows.get(options["by"], ()):
                self._print(row, row.label)

    def _print(self, row: Row, label: str) -> None:
        for key, figure in row.figures.items():
            self.stdout.write(f"{f'{label}: ' if label else ''}{INDICATORS[key].name}: {_words(figure)}")


def _words(figure: Figure) -> str:
    share = "–" if figure.percent is None else f"{figure.percent} % ({figure.interval_words})"
    few = ", too few to judge" if figure.too_few else ""
    badge = figure.basis[0].upper()
    return f"{figure.numerator} of {figure.denominator} = {share} [{badge}, {figure.maturity.words}{few}]"


def _as_dict(found: tuple[Breakdown, ...], by: str) -> dict[str, Any]:
    first = found[0]
    counts = activity_counts(since=first.since, until=first.until)
    answer: dict[str, Any] = {
        "from": first.since.isoformat(),
        "to": first.until.isoformat(),
        "cut_at": first.cut_at.isoformat(),
        "counts": {name: getattr(counts, name) for name in counts.__slots__},
        "total": {key: f.as_dict() for b in found for key, f in b.total.figures.items()},
    }
    if by:
        answer["by"] = by
        answer["rows"] = [
            {"key": row.key, "label": row.label, "figures": {k: f.as_dict() for k, f in row.figures.items()}}
            for breakdown in found
            for row in breakdown.rows.get(by, ())
        ]
    return answer
