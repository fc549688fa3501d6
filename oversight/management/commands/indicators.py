"""Print every indicator of a period with counts, interval, basis and maturity."""

import json
from collections.abc import Mapping
from datetime import date
from types import MappingProxyType
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from oversight.figures import Figure
from oversight.filters import FILTER_WORDS
from oversight.forms import asked_of
from oversight.indicators import BREAKDOWNS, indicators
from oversight.periods import default_period, period_problem
from oversight.services.activity import happened
from oversight.services.figures import Counted, Row, figures
from oversight.services.rollup import counted_first, fold_all, rebuild
from staff import clock
from staff.errors import RoundbookError


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"{text!r} is not a day; write it as 2026-03-31.") from error


class Command(BaseCommand):
    """Every figure carries numerator, denominator, interval, basis and maturity."""

    only: Mapping[str, str] = MappingProxyType({})
    help = "Every indicator of a period, cut as asked. What is waiting is counted first."

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("--from", dest="since", default="", help="first day, as 2026-03-01")
        parser.add_argument("--to", dest="until", default="", help="last day, as 2026-03-31")
        parser.add_argument("--by", choices=list(BREAKDOWNS), default="", help="cut the figures by this")
        parser.add_argument(
            "--only", action="append", default=[], metavar="NAME=VALUE",
            help=f"count only these, as in the address of the pages; names: {', '.join(FILTER_WORDS)}",
        )  # fmt: skip
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
        try:
            asked = asked_of(
                since=since, until=until, by=options["by"] or "month", only=_only(options["only"])
            )
        except RoundbookError as error:
            raise CommandError(str(error.sentence)) from error
        if not options["dry_run"]:
            if options["rebuild"] or not counted_first():
                self.stderr.write("Counting everything from the ledgers …")
                rebuild()
            fold_all()
        self.only = asked.only
        found = figures(asked, list(indicators()), fold=False)
        if options["json"]:
            self.stdout.write(json.dumps(_as_dict(found, options["by"]), ensure_ascii=False))
            return
        self.stdout.write(f"{since} to {until}, data up to {found.cut_at.isoformat(timespec='seconds')}")
        for name, value in asked.only.items():
            self.stdout.write(f"only {FILTER_WORDS[name]}: {value}")
        self._print(found.total, "")
        for row in found.rows if options["by"] else ():
            self._print(row, row.label)

    def _print(self, row: Row, label: str) -> None:
        for key, figure in row.figures.items():
            if deaf := indicators()[key].deaf_to(self.only):
                self.stdout.write(
                    f"{indicators()[key].name}: not by {', '.join(str(FILTER_WORDS[n]) for n in deaf)}"
                )
                continue
            self.stdout.write(f"{f'{label}: ' if label else ''}{indicators()[key].name}: {_words(figure)}")


def _only(said: list[str]) -> dict[str, str]:
    pairs = [one.partition("=") for one in said]
    if wrong := [one for one, (_name, sign, _value) in zip(said, pairs, strict=True) if not sign]:
        raise CommandError(f"{wrong[0]!r} is no filter; write it as sex=female.")
    return {name: value for name, _sign, value in pairs}


def _words(figure: Figure) -> str:
    share = f"{figure.words} {figure.unit if figure.unit != '%' else ''}({figure.interval_words})"
    few = ", too few to judge" if figure.too_few else ""
    badge = figure.basis[0].upper()
    return f"{figure.numerator} of {figure.denominator} = {share} [{badge}, {figure.maturity.words}{few}]"


def _as_dict(found: Counted, by: str) -> dict[str, Any]:
    since, until = found.asked.since, found.asked.until
    counts = happened(found.asked)
    answer: dict[str, Any] = {
        "from": since.isoformat(),
        "to": until.isoformat(),
        "cut_at": found.cut_at.isoformat(),
        "only": dict(found.asked.only),
        "counts": {name: getattr(counts, name) for name in counts.__slots__} if counts else {},
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
