"""Stories of the laboratory that belong to a day and not to a person: an expired control lot, a running-number gap."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from math import exp
from typing import TYPE_CHECKING

from oversight.rehearsal.stories.base import Waiting
from results.models import Analyser, AssessmentRound, ControlLot, ControlReading, ReadingsFile, Run, Unit
from results.services.control_charts import TO_INVESTIGATE, control_comment
from results.services.readings import readings_gap_explain
from results.services.runs import run_open
from results.services.watch import assessment_keep
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


DRIFT_DAYS = tuple(timedelta(weeks=8, days=n) for n in (0, 2, 7, 9))
"""Weeks 9 and 10, the days on which Quillport analyser 1 runs: the cuvettes in use read 5 % high (job 12.8)."""
DRIFT = 0.05
DRIFT_WORDS = (
    "Both levels read 5 % high since cuvette lot CV11 was opened. Level 2 lies over 1 SD four times running, then ten of a"
    " side: CV11 is set apart, CV10 is in use again and reads on target."
)
LOOKED_INTO = (
    "Looked into the same day: no step and no trend, reagent and cuvettes unchanged, both levels within 2 SD."
)
HOT_FROM = timedelta(weeks=23)
HOT = exp(-0.10)
"""What a hot week leaves of the haemoglobin in the post (job 12.5)."""
HOT_WORDS = "Hot spell, day {n}: {outside} °C outside, the post came in warm. Bench 24 °C, refrigerator 5 °C, both in range."
ASSESSED = timedelta(weeks=9, days=2)
ASSESSED_OUT = timedelta(weeks=19, days=2)
ASSESSED_NEXT = timedelta(weeks=27)
OUT_WORDS = (
    "z = 2.4, a warning. Lot, calibration and dilution checked; the kept sample measured again read 41.1. No result of that"
    " week lies within 10 % of the cutoff. Watched in the next round."
)

LAB_DAYS = (
    LabDay(GAP_FROM, "A gap in the running numbers",
           "From this day on the first readings file with more than one vial lacks number 2: all lines after it waited."),
    LabDay(DRIFT_DAYS[0], "A lot of cuvettes shifts the controls by 5 %",
           "The control chart of Quillport analyser 1 steps up: 4-1s, then 10x, looked into and said so beside the points."),
    LabDay(ASSESSED, "An external assessment within its limits", "Round 1 on the page Watch: z = 0.4."),
    LabDay(timedelta(weeks=13, days=1), "Northmere's end control is out",
           "Everything measured that morning was held and measured again."),
    LabDay(timedelta(weeks=16, days=2), "Quillport analyser 1 shows another unit",
           "The opening control caught it: the first run of the day never started."),
    LabDay(EXPIRED_BY_ONE_DAY, "A control lot that expired the day before",
           f"Lot {EXPIRED_LOT} opened no run on Quillport analyser 1: refused with the reason, and nothing was stored."),
    LabDay(ASSESSED_OUT, "An external assessment with z = 2.4", "Round 2 on the page Watch: a warning, with what was found and done."),
    LabDay(HOT_FROM, "A hot spell",
           "A week of warm post: f-Hb reads about a tenth lower; each day's temperatures stand beside its control reading."),
    LabDay(ASSESSED_NEXT, "The next external assessment is due", "Round 3 on the page Watch waits to be measured."),
)  # fmt: skip
LAB_WAITING: tuple[Waiting, ...] = ()
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


def drifts(stage: Stage, analyser: Analyser, day: date) -> bool:
    """Whether the cuvettes in use on this analyser read high that day."""
    return bool(stage.cast.rows) and analyser.code == "Q1" and day - stage.plan.first_day in DRIFT_DAYS


def drifted_z(stage: Stage, lot: ControlLot) -> float:
    """How far a control lies from its target while everything reads 5 % high: under 2 SD, so that no run is lost."""
    lift, noise = DRIFT * float(lot.target) / float(lot.sd), stage.rng.normal(0, 0.25)
    return float(lift + (min(abs(noise), 0.5) if lot.level == 2 else max(-0.4, min(0.5, noise))))


def hot(stage: Stage, day: date) -> float:
    """What is left of the haemoglobin in samples measured that day: from the third day on the post was out in the heat."""
    days = (day - stage.plan.first_day - HOT_FROM).days
    return HOT if stage.cast.rows and 2 <= days < 5 else 1.0


def said_beside_controls(stage: Stage, run: Run) -> None:
    """What is written beside the controls of a run that was just closed: the end of the drift, or a hot day."""
    after = run.day - stage.plan.first_day
    if not stage.cast.rows:
        return
    last = run.control_readings.order_by("-seq").first()
    n = (after - HOT_FROM).days + 1
    if last is not None and 1 <= n <= 5:
        control_comment(by=stage.crew.bench, reading=last, words=HOT_WORDS.format(n=n, outside=28 + n))
    if not drifts(stage, run.analyser, run.day):
        for reading in run.control_readings.filter(rule__in=TO_INVESTIGATE).order_by("seq"):
            control_comment(by=stage.crew.bench, reading=reading, words=LOOKED_INTO)
    elif after == DRIFT_DAYS[-1]:
        since = stage.plan.first_day + DRIFT_DAYS[0]
        hits = ControlReading.objects.filter(
            run__analyser=run.analyser, run__day__gte=since, run__day__lte=run.day, rule__in=TO_INVESTIGATE
        )
        for reading in hits.order_by("pk"):
            control_comment(by=stage.crew.lab_lead, reading=reading, words=DRIFT_WORDS)


def assessments_played(stage: Stage, day: date) -> None:
    """The rounds of external assessment: one within its limits, one with z = 2.4, and one that is still due."""
    after = day - stage.plan.first_day
    told = {
        ASSESSED: ("round 1", 0, "18.7", "18.2", "1.25", ""),
        ASSESSED_OUT: ("round 2", 0, "47.2", "40.0", "3.0", OUT_WORDS),
        ASSESSED_NEXT: ("round 3", 17, None, None, None, ""),
    }.get(after)
    if told is None or not stage.cast.rows:
        return
    number, days, *values, action = told
    value, assigned, sd = (None if one is None else Decimal(one) for one in values)
    row = AssessmentRound(
        analyser=Analyser.objects.get(code="Q1"), scheme="Tarnuvek comparison scheme", number=number,
        due_on=day + timedelta(days=days), value=value, assigned=assigned, sd=sd, action=action,
    )  # fmt: skip
    assessment_keep(by=stage.crew.lab_lead, row=row)


def left_held(stage: Stage, day: date) -> bool:
    """Whether what is held today is left to whoever opens the demo: on its very last day."""
    return bool(stage.cast.rows) and day == stage.last_day
