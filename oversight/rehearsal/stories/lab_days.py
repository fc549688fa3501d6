"""Stories of the laboratory that belong to a day and not to a person: an expired control lot, a running-number gap."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from oversight.rehearsal.stories.base import Waiting
from results.models import Analyser, ControlLot, ReadingsFile, Run, Unit
from results.services.readings import readings_gap_explain
from results.services.runs import run_open
from staff.acting import acting
from staff.errors import RoundbookError

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Stage

EXPIRED_LOT = "CL100"
EXPIRED_BY_ONE_DAY = timedelta(weeks=21, days=2)
"""Wednesday of week 22 (job 12.8): the control lot at hand had expired the day before."""
GAP_FROM = timedelta(weeks=6)
"""From week 7 on, the first run with more than one vial shows the gap."""
GAP_WORDS = "Number 2 was a wash of the analyser without a vial; list and rack agree from number 3 on."


@dataclass(frozen=True)
class LabDay:
    """A day in the laboratory worth a look: so long after the first day, or from then on."""

    after: timedelta
    title: str
    told: str


LAB_DAYS = (
    LabDay(GAP_FROM, "A gap in the running numbers",
           "From this day on the first readings file with more than one vial lacks number 2: all lines after it waited."),
    LabDay(timedelta(weeks=13, days=1), "Northmere's end control is out",
           "Everything measured that morning was held and measured again."),
    LabDay(timedelta(weeks=16, days=2), "Quillport analyser 1 shows another unit",
           "The opening control caught it: the first run of the day never started."),
    LabDay(EXPIRED_BY_ONE_DAY, "A control lot that expired the day before",
           f"Lot {EXPIRED_LOT} opened no run on Quillport analyser 1: refused with the reason, and nothing was stored."),
)  # fmt: skip
LAB_WAITING = (
    Waiting(
        0,
        "A new lot of cuvettes shifts the controls by 5 %",
        "a drift played day by day until the rules catch it",
    ),
    Waiting(0, "A hot spell", "temperatures: nothing records them yet"),
    Waiting(0, "An external quality round with z = 2.4", "external quality assessment: no record of it yet"),
)
"""Days of the laboratory that are not told yet, and what each of them waits for."""


def old_control_laid_down(stage: Stage) -> None:
    """The control lot that is forgotten in the refrigerator; the analysers' newer lots are used day by day."""
    first_day = stage.plan.first_day
    with acting(stage.crew.bench, reason="control lot"):
        ControlLot.objects.create(
            analyser=Analyser.objects.get(code="Q1"), material="Control", level=1, lot=EXPIRED_LOT, unit=Unit.NG_ML,
            target=Decimal("90"), sd=Decimal("5.5"), opened_on=first_day - timedelta(days=60),
            expires_on=first_day + EXPIRED_BY_ONE_DAY - timedelta(days=1), entered_by=stage.crew.bench,
            confirmed_by=stage.crew.lab_lead,
        )  # fmt: skip


def old_control_tried(stage: Stage, day: date) -> None:
    """On the day after its expiry somebody opens the day with that lot: refused, and nothing is stored."""
    if day != stage.plan.first_day + EXPIRED_BY_ONE_DAY or not stage.cast.rows:
        return
    analyser = Analyser.objects.get(code="Q1")
    old = ControlLot.objects.get(analyser=analyser, lot=EXPIRED_LOT)
    try:
        run_open(by=stage.crew.bench, analyser=analyser, unit=Unit.NG_ML, readings=[(old, Decimal("91.0"))])
    except RoundbookError as refused:
        if refused.code == "control_unusable":
            stage.tally("control lots refused", 1)
            return
        raise
    raise AssertionError("an expired control lot opened a run")


def gap_today(stage: Stage, run: Run, vials: int) -> bool:
    """Whether the running numbers of this run are to skip one: once, in the first run that has more than one vial."""
    if not stage.cast.rows or "gap" in stage.diary.done or vials < 2:
        return False
    if run.day < stage.plan.first_day + GAP_FROM:
        return False
    stage.diary.done.add("gap")
    return True


def gap_explained(stage: Stage, file: ReadingsFile) -> None:
    """The lines after the gap are held; rack and list are compared, and the rest is taken."""
    stage.tally("lines held by a gap", readings_gap_explain(by=stage.crew.bench, file=file, note=GAP_WORDS))
