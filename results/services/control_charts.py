"""Control charts: the readings of one control lot on one analyser with rule hits, comments, CV and bias; comments."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from django.utils.translation import gettext as _

from results.control_rules import Rule
from results.control_statistics import ControlFigures, Target, control_figures, own_target
from results.models import Analyser, ControlComment, ControlLot, ControlReading, Run
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

TO_INVESTIGATE = (Rule.R_4_1S.value, Rule.R_10X.value)


def control_comment(*, by: User, reading: ControlReading, words: str) -> ControlComment:
    """Say what was found and done about a control reading; said things stay."""
    require_role(by, Role.LABORATORY)
    if not words.strip():
        raise RoundbookError("words_missing", _("Write what was found and what was done."))
    with acting(by) as frame:
        return ControlComment.objects.create(
            reading=reading, words=words.strip(), said_by=by, said_at=frame.now
        )


def control_comment_streak(*, by: User, reading: ControlReading, words: str) -> int:
    """Say the same about every reading of an open streak: same analyser, control lot and rule; returns how many."""
    with acting(by) as frame:
        streak = [
            one
            for one in open_hits(frame.today)
            if (one.run.analyser_id, one.control_id, one.rule)
            == (reading.run.analyser_id, reading.control_id, reading.rule)
        ]
        for one in streak or [reading]:
            control_comment(by=by, reading=one, words=words)
    return len(streak or [reading])


@dataclass(frozen=True, slots=True)
class LotChart:
    """One lot on a chart: its readings in order, its figures in all and by week, and what its own readings would set."""

    lot: ControlLot
    readings: Sequence[ControlReading]
    figures: ControlFigures
    weeks: Sequence[tuple[date, ControlFigures]]
    own: Target | None

    @property
    def left_out(self) -> int:
        """Readings that no figure counts, because they were not in control."""
        return sum(not one.in_control for one in self.readings)


def readings_of(analyser: Analyser, level: int, since: date, until: date) -> list[ControlReading]:
    """Every control reading of a level on an analyser in some days, oldest first, refused attempts included."""
    rows = ControlReading.objects.filter(
        run__analyser=analyser, control__level=level, run__day__gte=since, run__day__lt=until
    )
    return list(
        rows.select_related("run", "control", "read_by")
        .prefetch_related("comments__said_by")
        .order_by("read_at", "pk")
    )


def lot_charts(readings: Sequence[ControlReading]) -> list[LotChart]:
    """The readings by lot in the order of their first use; figures leave out what was never counted as in control.

    A month's figures come from its accepted readings; a bad month never moves target or SD.
    """
    by_lot: dict[int, list[ControlReading]] = defaultdict(list)
    for reading in readings:
        by_lot[reading.control_id].append(reading)
    return [_lot_chart(own) for own in by_lot.values()]


def _lot_chart(own: Sequence[ControlReading]) -> LotChart:
    lot = own[0].control
    good = [reading for reading in own if reading.in_control]
    weeks: dict[date, list[ControlReading]] = defaultdict(list)
    for reading in good:
        weeks[reading.run.day - timedelta(days=reading.run.day.weekday())].append(reading)
    return LotChart(
        lot=lot,
        readings=own,
        figures=control_figures([r.value for r in good], lot.target),
        weeks=[(week, control_figures([r.value for r in rows], lot.target)) for week, rows in weeks.items()],
        own=own_target([(r.run.day, r.value) for r in good]),
    )


def open_hits(today: date) -> list[ControlReading]:
    """Readings that hit 4-1s or 10x and about which nobody has said anything yet: to be looked into before tomorrow."""
    rows = ControlReading.objects.filter(
        rule__in=TO_INVESTIGATE, comments__isnull=True, run__day__gt=today - timedelta(days=60)
    )
    return list(rows.select_related("run__analyser", "control").order_by("read_at"))


def open_streaks(today: date) -> list[list[ControlReading]]:
    """The open hits by analyser, control lot and rule, each oldest first."""
    found: dict[tuple[int, int, str], list[ControlReading]] = defaultdict(list)
    for one in open_hits(today):
        found[one.run.analyser_id, one.control_id, one.rule].append(one)
    return list(found.values())


@dataclass(slots=True)
class MonthSum:
    """One analyser's month: its charts by level, its runs by how they ended, and how held ones were settled."""

    charts: dict[int, list[LotChart]] = field(default_factory=dict)
    runs: dict[str, int] = field(default_factory=dict)
    held: list[Run] = field(default_factory=list)
    refused: list[Run] = field(default_factory=list)


def month_sum(analyser: Analyser, first: date, until: date) -> MonthSum:
    """The laboratory's monthly summary for one analyser."""
    found = MonthSum()
    levels = ControlLot.objects.filter(analyser=analyser).values_list("level", flat=True).distinct()
    for level in sorted(set(levels)):
        found.charts[level] = lot_charts(readings_of(analyser, level, first, until))
    runs = Run.objects.filter(analyser=analyser, day__gte=first, day__lt=until).order_by("opened_at")
    for run in runs:
        found.runs[run.standing_words] = found.runs.get(run.standing_words, 0) + 1
        if run.status in (Run.Status.HELD, Run.Status.RESOLVED):
            found.held.append(run)
        elif run.status == Run.Status.REFUSED:
            found.refused.append(run)
    return found
