"""The laboratory's day in a rehearsal: controls, runs, readings files, release."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from oversight.rehearsal.crew import Stage
from oversight.rehearsal.stories.desk import acts_on_decision, as_measured
from oversight.rehearsal.stories.lab_days import (
    assessments_played,
    drifted_z,
    drifts,
    gap_explained,
    gap_today,
    hot,
    left_held,
    old_control_tried,
    said_beside_controls,
)
from results import classify
from results.models import Analyser, ControlLot, Run, Sample
from results.services.authorise import (
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_not_needed,
)
from results.services.authorise_facts import Candidate, candidates
from results.services.readings import readings_load
from results.services.runs import controls_for, run_close, run_open, run_resolve
from results.services.samples import samples_take_in
from staff import clock
from staff.acting import acting

FACTOR = Decimal("0.2")
"""µg/g for each ng/mL of the region's kit model (2.4 mL ÷ 12 mg)."""
FRIDAY, NORTHMERE_DAYS = 4, (1, 3)
"""Northmere measures on Tuesdays and Thursdays, Quillport on the other days."""
BENCH_DAY = 250
"""Samples one analyser takes in a morning."""
BESIDE_CONTROLS = "Looked at beside its controls."
HEADER = "running_number,serial,value,unit,flag,read_at\n"


@dataclass(frozen=True)
class Incident:
    """A laboratory story: an analyser whose end controls fail on one day, or that is switched to another unit."""

    analyser: str
    day: date
    what: str


def incidents(first_day: date) -> tuple[Incident, ...]:
    """Week 14: the end control is out at Northmere; week 17: a unit switch caught by the opening control (job 12.8)."""
    return (
        Incident("N1", first_day + timedelta(weeks=13, days=1), "end_control_out"),
        Incident("Q1", first_day + timedelta(weeks=16, days=2), "unit_switched"),
    )


def as_displayed(fhb: float) -> str:
    """A value in µg/g as the analyser writes it in ng/mL: censored at its limits, whole ng/mL."""
    if fhb < 4:
        return "<20"
    if fhb > 200:
        return ">1000"
    return str(round(fhb / float(FACTOR)))


def control_values(
    stage: Stage, analyser: Analyser, *, shift: float = 0.0, scale: float = 1.0
) -> list[tuple[ControlLot, Decimal]]:
    """Believable control readings: target + noise within 1.4 SD, unless shifted (in SD) or scaled (a wrong unit)."""
    values, drift = [], drifts(stage, analyser, clock.today())
    for lot in controls_for(analyser):
        z = drifted_z(stage, lot) if drift else max(-1.6, min(1.6, stage.rng.normal(0, 0.7))) + shift
        value = (float(lot.target) + z * float(lot.sd)) * scale
        values.append((lot, Decimal(f"{value:.1f}")))
    return values


def readings_file(stage: Stage, samples: list[str], start: datetime, *, gap: bool = False) -> bytes:
    """The file an analyser would export for these serials, read one after the other within 75 minutes of `start`.

    With `gap` the running number 2 is missing.
    """
    lines = [HEADER]
    left = hot(stage, clock.local_day(start, clock.zone().key))
    local, pace = start.astimezone(clock.zone()), min(50.0, 4500 / max(len(samples), 1))
    for n, serial in enumerate(samples):
        at = (local + timedelta(seconds=300 + pace * n)).replace(microsecond=0)
        fhb = left * float(stage.plan.course.fhb[stage.row_of_serial[serial]])
        value, flag = as_measured(stage, serial) or (as_displayed(fhb), "")
        number = n + 1 + (gap and n > 0)
        lines.append(f"{number},{serial},{value},ng/mL,{flag},{at.replace(tzinfo=None).isoformat()}\n")
    return "".join(lines).encode()


def day_in_the_laboratory(stage: Stage, day: date, hours: dict[str, datetime]) -> None:
    """Take in, measure on the analysers whose day it is, close with controls, release."""
    crew = stage.crew
    samples_take_in(by=crew.bench)
    old_control_tried(stage, day)
    assessments_played(stage, day)
    waiting = list(
        Sample.objects.filter(state__in=["ready", "repeat"])
        .order_by("usable_until", "pk")
        .values_list("serial", "return_of__delivery__site__code")
    )
    analysers = {a.code: a for a in stage.region.analysers}
    north = [serial for serial, site in waiting if site == "NMC"]
    rest = [serial for serial, site in waiting if site != "NMC"]
    usual, other = ("Q1", "Q2") if day.weekday() < FRIDAY else ("Q2", "Q1")
    if day.weekday() in NORTHMERE_DAYS:
        shares = {"N1": north}
    else:
        shares = {usual: rest[:BENCH_DAY], other: rest[BENCH_DAY:]}
    for code, serials in shares.items():
        if serials or drifts(stage, analysers[code], day):
            _run_on(stage, analysers[code], serials, day, hours)
    with clock.at(hours["release"]):
        stage.tally("below", results_release_below(by=crew.bench))


def rest_decided(stage: Stage, day: date) -> None:
    """The laboratory lead goes through what the bulk release has left until this day, one after the other."""
    rest = Sample.objects.filter(state="ready_to_authorise").in_bulk()
    if not rest:
        return
    for candidate in candidates(list(rest)):
        if candidate.fact.analysed_on <= day:
            with acting(stage.crew.lab_lead, reason=BESIDE_CONTROLS):
                _decided_one_by_one(stage, rest[candidate.fact.sample_id], candidate)
                acts_on_decision(stage, candidate.fact.person_id, day)


def _decided_one_by_one(stage: Stage, sample: Sample, candidate: Candidate) -> None:
    """At or above, or below with something in its way."""
    crew = stage.crew
    if candidate.side is not classify.Side.BELOW:
        result_release_at_or_above(by=crew.lab_lead, sample=sample, reason=BESIDE_CONTROLS)
        stage.tally("at_or_above", 1)
    elif any(obstacle.final for obstacle in candidate.obstacles):
        sample_not_needed(by=crew.lab_lead, sample=sample, reason="Another result of this round stands.")
    else:
        result_release_below(
            by=crew.lab_lead,
            sample=sample,
            reason="Looked at beside everything known.",
            clinician=crew.clinician,
        )
        stage.tally("below", 1)
        stage.tally("below, one by one", 1)


def _loaded(stage: Stage, run: Run, serials: list[str], opened: datetime) -> None:
    name, gap = f"{run.analyser.code}-{run.day.isoformat()}.csv", gap_today(stage, run, len(serials))
    content = readings_file(stage, serials, opened, gap=gap)
    file = readings_load(by=stage.crew.bench, run=run, name=name, content=content)
    if gap:
        gap_explained(stage, file)


def _run_on(
    stage: Stage, analyser: Analyser, serials: list[str], day: date, hours: dict[str, datetime]
) -> None:
    crew = stage.crew
    happening = {
        i.what for i in incidents(stage.plan.first_day) if i.analyser == analyser.code and i.day == day
    }
    with clock.at(hours["open"]):
        if "unit_switched" in happening:
            run_open(
                by=crew.bench,
                analyser=analyser,
                unit="ng/mL",
                readings=control_values(stage, analyser, scale=0.2),
            )
        run = run_open(
            by=crew.bench, analyser=analyser, unit="ng/mL", readings=control_values(stage, analyser)
        )
    if run.status != Run.Status.OPEN:
        return
    with clock.at(hours["load"]):
        if serials:
            _loaded(stage, run, serials, hours["open"])
    with clock.at(hours["close"]):
        left = left_held(stage, day)
        shift = 3.4 if left or "end_control_out" in happening else 0.0
        run = run_close(by=crew.bench, run=run, readings=control_values(stage, analyser, shift=shift))
        said_beside_controls(stage, run)
        if run.status == Run.Status.HELD and not left:
            words = "Fresh control and new reagent in control; the vials are measured again."
            run_resolve(by=crew.bench, run=run, resolution=words, second=crew.lab_lead, retest=True)
