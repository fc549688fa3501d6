"""`manage.py load_readings RUN|ANALYSER FILE`: take a readings file into an open run from the command line."""

import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from results.models import Run
from results.services.readings import readings_known, readings_load, readings_preview, verdict_counts
from results.services.readings_judging import ALREADY_STORED, TAKEN
from staff.errors import RoundbookError
from staff.models import User

ALL_TAKEN, SOME_REFUSED = 0, 3


class Command(BaseCommand):
    """Exit status: 0 every line taken, 3 some lines refused, 1 nothing taken because of an error."""

    help = "Load an analyser's CSV readings file into an open run."

    def add_arguments(self, parser: CommandParser) -> None:
        """RUN is a run's number, ANALYSER the code of an analyser with an open run."""
        parser.add_argument("run", metavar="RUN|ANALYSER")
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--by", default="", metavar="SIGN-IN NAME", help="who loads it (a member of the laboratory)"
        )
        parser.add_argument(
            "--dry-run", action="store_true", help="say what would become of each line, store nothing"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Print one JSON object and end with the exit status."""
        path: Path = options["file"]
        try:
            content = path.read_bytes()
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}") from error
        try:
            summary = self._load(
                _run(options["run"]), path.name, content, _user(options["by"]), options["dry_run"]
            )
        except RoundbookError as error:
            raise CommandError(str(error.sentence)) from error
        self.stdout.write(json.dumps(summary, ensure_ascii=False))
        if set(summary["verdicts"]) - {TAKEN, ALREADY_STORED}:
            sys.exit(SOME_REFUSED)

    def _load(self, run: Run, name: str, content: bytes, by: User, dry: bool) -> dict[str, Any]:
        if dry:
            told = readings_preview(by=by, run=run, content=content)
            return _summary(run, name, Counter(one.verdict for one in told), known=False) | {"dry_run": True}
        known = readings_known(content) is not None
        file = readings_load(by=by, run=run, name=name, content=content)
        return _summary(file.run, file.name, verdict_counts(file), known=known) | {"file": file.pk}


def _summary(run: Run, name: str, counts: Counter[str], *, known: bool) -> dict[str, Any]:
    lines, taken = sum(counts.values()), counts[TAKEN]
    return {
        "run": run.pk, "name": name, "lines": lines, "taken": taken, "known_before": known, "verdicts": dict(counts),
    }  # fmt: skip


def _run(text: str) -> Run:
    runs = Run.objects.select_related("analyser")
    found = (
        runs.filter(pk=int(text))
        if text.isdigit()
        else runs.filter(analyser__code=text, status=Run.Status.OPEN)
    )
    run = found.first()
    if run is None:
        raise CommandError(f"There is no run {text}, nor an analyser of that code with an open run.")
    return run


def _user(name: str) -> User:
    """Who acts; somebody must be named, because every reading carries who took it in."""
    if name:
        user = User.objects.filter(username__iexact=name).first()
        if user is None:
            raise CommandError(f"There is no member of staff {name}.")
        return user
    raise CommandError("Say who loads the file: --by NAME (a member of the laboratory).")
