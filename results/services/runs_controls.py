"""Judging the controls of a run: which lots may be used, the multirule with its history, the verdict in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

from django.utils.translation import gettext as _

from results.control_rules import (
    Action,
    ControlPoint,
    ControlVerdict,
    Rule,
    judge_run,
    z_score,
)
from results.models import Analyser, ControlLot, ControlReading, Run, Unit
from results.services.control_plans import CheckValues, plan_on
from results.services.runs_checks import check_points, checks_asked, checks_write
from results.units import round_half_up
from screening.models import KitModel
from staff.acting import Acting

Position = ControlReading.Position
ControlValues = Sequence[tuple[ControlLot, Decimal]]
HISTORY = 40
WIDEST_Z = Decimal("99999.999")
LOT_TROUBLE = "lot"


@dataclass(frozen=True)
class Judged:
    """The verdict on controls measured together, and why lots could not be used."""

    verdict: ControlVerdict
    lots: tuple[str, ...]
    sentence: str

    @property
    def in_control(self) -> bool:
        """Whether results between these controls and the last good ones may be released."""
        return self.verdict.in_control and not self.lots


def material_of(control: ControlLot) -> str:
    """The name the rules know a control by: its level."""
    return f"level {control.level}"


def lot_trouble(lot: ControlLot, *, analyser: Analyser, unit: str, day: date) -> str:
    """Why this control lot may not be used in such a run, in words; empty when it may."""
    names = {"control": str(lot), "analyser": str(analyser)}
    if lot.analyser_id != analyser.pk:
        return _("%(control)s has no target for %(analyser)s. Enter one first.") % names
    if lot.confirmed_by_id is None:
        return _("The target of %(control)s waits for a second person. Have it confirmed first.") % names
    if day > lot.expires_on:
        return _("%(control)s expired on %(day)s. Open a new lot.") % (names | {"day": lot.expires_on})
    if day < lot.opened_on:
        return _("%(control)s is to be opened on %(day)s, which is still to come.") % (
            names | {"day": lot.opened_on}
        )
    if lot.unit != unit:
        told = names | {"target": Unit(lot.unit).label, "shown": Unit(unit).label}
        return (
            _(
                "The target of %(control)s is in %(target)s, but the display was confirmed as %(shown)s."
                " Switch the display, or enter a target in that unit."
            )
            % told
        )
    return ""


def controls_judge(
    run: Run, values: ControlValues, *, position: str, frame: Acting, lots: Sequence[str] = (), checks: CheckValues = (),
) -> Judged:  # fmt: skip
    """Judge controls against their targets and the earlier good readings, and write each reading down."""
    plan = plan_on(run.analyser, run.day)
    if position == Position.MIDDLE:
        scheme = plan.scheme([material_of(lot) for lot, _value in values])
    else:
        scheme = plan.scheme(checks=checks_asked(run.analyser, plan.checks))
    key = f"{run.pk} {position} {run.control_readings.count()}"
    points = [
        ControlPoint(key, material_of(lot), z_score(value, lot.target, lot.sd)) for lot, value in values
    ]
    history = _history(run.analyser, [lot for lot, _value in values])
    verdict = judge_run(history, points, scheme, check_points(key, checks))
    checks_write(run, checks, position, frame)
    _write(run, values, points, verdict, position, frame, bool(lots))
    sentence = " ".join([*lots, str(verdict.sentence)] if lots else [str(verdict.sentence)])
    hint = "" if verdict.in_control else unit_hint(run.unit, values)
    return Judged(verdict, tuple(lots), f"{sentence} {hint}".strip())


def _history(analyser: Analyser, lots: Sequence[ControlLot]) -> list[ControlPoint]:
    rows = (
        ControlReading.objects.filter(run__analyser=analyser, control__in=lots, in_control=True)
        .select_related("control")
        .order_by("-pk")[:HISTORY]
    )
    return [
        ControlPoint(f"{r.run_id} {r.position} {r.seq}", material_of(r.control), Fraction(r.z))
        for r in reversed(rows)
    ]


def _write(
    run: Run, values: ControlValues, points: Sequence[ControlPoint], verdict: ControlVerdict, position: str,
    frame: Acting, lots_wrong: bool,
) -> None:  # fmt: skip
    first = run.control_readings.count() + 1
    rows = []
    for seq, ((lot, value), point) in enumerate(zip(values, points, strict=True), start=first):
        hits = [hit for hit in verdict.hits if point.material in hit.materials]
        z = max(-WIDEST_Z, min(WIDEST_Z, round_half_up(point.z, 3)))
        rows.append(
            ControlReading(
                run=run, control=lot, position=position, seq=seq, value=value, z=z,
                in_control=not lots_wrong and not any(hit.action is Action.REJECT for hit in hits),
                rule=hits[0].rule.value if hits else LOT_TROUBLE if lots_wrong else "",
                read_at=frame.now, read_by=frame.by,
            )
        )  # fmt: skip
    ControlReading.objects.bulk_create(rows)


def unit_hint(unit: str, values: ControlValues) -> str:
    """A sentence naming the other unit when every control would be in control if it had been shown in that one."""
    if not values:
        return ""
    for stool, buffer in set(KitModel.objects.values_list("stool_mg", "buffer_ml")):
        factor = Fraction(buffer) / Fraction(stool)
        if factor == 1:
            continue
        scale = 1 / factor if unit == Unit.NG_ML else factor
        if all(
            abs(Fraction(value) * scale - Fraction(lot.target)) <= 3 * Fraction(lot.sd)
            for lot, value in values
        ):
            other = Unit.UG_G if unit == Unit.NG_ML else Unit.NG_ML
            return _(
                "Read as %(unit)s these values would be in control: look at the unit on the display."
            ) % {"unit": other.label}
    return ""


def run_sentence(run: Run) -> str:
    """What the controls of a run say, in words, with the rule by name."""
    readings = list(run.control_readings.select_related("control").order_by("seq"))
    said = [
        _("%(control)s, %(position)s: %(rule)s – %(words)s.")
        % {
            "control": reading.control, "position": reading.get_position_display(), "rule": reading.rule,
            "words": rule_words(reading.rule),
        }
        for reading in readings
        if reading.rule and not reading.in_control
    ]  # fmt: skip
    said += [
        _("After %(n)s readings %(words)s. Look at the unit on the display and at the file.")
        % {"n": alarm.after, "words": alarm.get_kind_display()}
        for alarm in run.alarms.all()
    ]
    slip = run.slip_checks.order_by("-pk").first()
    if slip is not None and slip.shift != 0:
        said.append(_("Check samples do not read where they stand. Compare the list with the rack."))
    failed = run.check_readings.filter(passed=False).select_related("check_lot")
    said += [_("%(check)s did not pass.") % {"check": check.check_lot} for check in failed]
    if run.status in (Run.Status.HELD, Run.Status.REFUSED):
        position = Position.START if run.status == Run.Status.REFUSED else Position.END
        seen = {r.control.level for r in readings if r.position == position}
        broken = any(not r.in_control for r in readings)
        missing = [str(n + 1) for n in range(plan_on(run.analyser, run.day).levels) if n + 1 not in seen]
        if missing and not broken:
            said.append(_("Control level %(levels)s was not measured.") % {"levels": ", ".join(missing)})
        last = [(r.control, r.value) for r in readings if r.position == position]
        said.append(unit_hint(run.unit, last))
    return " ".join(sentence for sentence in said if sentence)


def rule_words(rule: str) -> str:
    """A broken rule in words."""
    if rule == LOT_TROUBLE:
        return _("its lot may not be used: expired, not confirmed, or of another analyser or unit")
    return str(Rule(rule).words) if rule in set(Rule) else ""
