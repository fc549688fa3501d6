"""Whether the results of a run stand at their own vials, told by check samples at positions only the list knows (H4)."""

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from django.utils.translation import gettext as _

from results.lab_formats.csv_readings import line_read
from results.models import InboxLine, Run, SlipCheck
from results.patient_watch import Measured, slip_of
from results.units import ReadingError, parse_reading
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

UNPLACED = (
    "unknown_serial",
    "not_returned",
    "serial_empty",
    "serial_length",
    "serial_prefix",
    "serial_characters",
)
"""A check sample is no kit of ours, so the line of its reading has no home: its value is read from there."""


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check sample: its running number, the values it may read, and what the list says, in the run's unit."""

    number: int
    low: Decimal
    high: Decimal
    read: float | None

    @property
    def fits(self) -> bool:
        """Whether it reads where it stands."""
        return self.read is not None and float(self.low) <= self.read <= float(self.high)


def slip_rows(run: Run, text: str) -> list[CheckRow]:
    """The check samples typed as `running number, lowest, highest` a line, with what the run's list says there."""
    read = {one.number: one.value for one in _readings(run)}
    found: dict[int, CheckRow] = {}
    for nth, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        parts = [part.strip() for part in line.replace(";", ",").replace("\t", ",").split(",")]
        try:
            number, low, high = int(parts[0]), Decimal(parts[1]), Decimal(parts[2])
            if len(parts) != 3 or number in found or not 0 <= low <= high < 10_000_000:
                raise ValueError(line)
        except (ValueError, IndexError, InvalidOperation):
            raise RoundbookError(
                "check_unreadable",
                _("Line %(n)s is not “running number, lowest, highest”, or names a number again.")
                % {"n": nth},
            ) from None
        found[number] = CheckRow(number, low, high, read.get(number))
    if not found:
        raise RoundbookError(
            "check_missing", _("Type at least one check sample: running number, lowest, highest.")
        )
    return list(found.values())


def slip_check(*, by: User, run: Run, text: str) -> SlipCheck:
    """Compare the check samples with the run's list and keep the verdict.

    While the newest check of an open run does not fit, closing it holds every reading of the run.
    """
    require_role(by, Role.LABORATORY)
    rows = slip_rows(run, text)
    expected = {row.number: (float(row.low), float(row.high)) for row in rows}
    with acting(by) as frame:
        return SlipCheck.objects.create(
            run=run, expected=text.strip(), shift=slip_of(expected, _readings(run)), checked_at=frame.now, checked_by=by
        )  # fmt: skip


def slip_words(check: SlipCheck) -> str:
    """The verdict of a check in words."""
    if check.shift is None:
        return _(
            "No shift explains the check samples. Compare the analyser's list with the rack, vial by vial."
        )
    if check.shift == 0:
        return _("Every check sample reads where it stands.")
    return _(
        "The results stand %(n)s places off their vials. Nothing of this run may be released as it is: compare the"
        " analyser's list with the rack."
    ) % {"n": f"{check.shift:+d}"}


def slip_found(run: Run) -> SlipCheck | None:
    """The newest check of a run, when it does not fit."""
    newest = run.slip_checks.order_by("-pk").first()
    return newest if newest is not None and newest.shift != 0 else None


def _readings(run: Run) -> list[Measured]:
    rows = run.readings.filter(value__isnull=False).values_list("running_number", "value")
    found = {number: Measured(number, float(value)) for number, value in rows if value is not None}
    lines = InboxLine.objects.filter(file_id__in=run.files.values("pk"), verdict__in=UNPLACED)
    for raw in lines.values_list("raw", flat=True):
        line = line_read(1, raw)
        if line.fields is None or line.running_number is None:
            continue
        try:
            value = float(parse_reading(line.fields[2]).value)
        except ReadingError:
            continue
        found.setdefault(line.running_number, Measured(line.running_number, value))
    return list(found.values())
