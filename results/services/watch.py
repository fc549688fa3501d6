"""The patient watch over real readings, comparisons of lots and analysers, and external assessment rounds."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation

from django.db import connection
from django.utils.translation import gettext as _

from results.comparisons import Comparison, Pair, Score, assessment_score, assessment_z, compare
from results.models import AssessmentRound, ComparisonPair, ComparisonSet, CutoffRule, Run, WatchAlarm
from results.patient_watch import (
    MeanLog,
    Measured,
    Under,
    ZeroInflated,
    carry_over_suspects,
    mean_log_by,
    unit_watch,
)
from results.services.referrals_frame import results_policy_on
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

SLIP = 5.0
"""The factor between the two units of the kit models in use."""
VALUES = """
    SELECT r.running_number, r.dilution * CASE WHEN r.unit = 'ng/mL' THEN r.value * m.buffer_ml / m.stool_mg ELSE r.value END,
           r.comparator, m.loq_ug_g, m.upper_ug_g, s.serial
    FROM results_reading r JOIN results_run u ON u.id = r.run_id JOIN results_sample s ON s.id = r.sample_id
    JOIN screening_kit k ON k.id = s.kit_id JOIN screening_lot l ON l.id = k.lot_id
    JOIN screening_kitmodel m ON m.id = l.kit_model_id
    WHERE {which} AND r.flag = '' AND NOT r.qualitative AND r.value IS NOT NULL ORDER BY r.read_at, r.id
"""


BY_DAYS = """
    SELECT least(r.analysed_on - s.collected_earliest, 14), r.dilution *
           CASE WHEN r.unit = 'ng/mL' THEN r.value * m.buffer_ml / m.stool_mg ELSE r.value END
    FROM results_reading r JOIN results_sample s ON s.id = r.sample_id JOIN screening_kit k ON k.id = s.kit_id
    JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id
    WHERE r.flag = '' AND NOT r.qualitative AND r.comparator = '' AND r.value > 0 AND r.analysed_on > %s
"""


def stability(since: date) -> dict[int, MeanLog]:
    """Mean log f-Hb of detectable readings by days from collection to analysis (14 stands for 14 and more)."""
    with connection.cursor() as cursor:
        cursor.execute(BY_DAYS, [since])
        return mean_log_by((max(0, days), float(value)) for days, value in cursor.fetchall())


@dataclass(frozen=True, slots=True)
class Seen:
    """One reading of a person as the watch needs it: µg/g, detectable (at or over the reporting limit), over the limit."""

    number: int
    value: float
    detectable: bool
    over: bool
    serial: str
    under: float | None = None
    """The limit under which it was told to lie, where no value was."""


def _seen(which: str, params: list[int]) -> list[Seen]:
    with connection.cursor() as cursor:
        cursor.execute(VALUES.format(which=which), params)
        return [_one(*row) for row in cursor.fetchall()]


def _one(number: int, value: Decimal, comparator: str, loq: Decimal, upper: Decimal, serial: str) -> Seen:
    exact = float(value)
    shown = exact / 2 if comparator == "<" else exact
    under = exact if comparator == "<" and exact > 0 else None
    return Seen(number, shown, shown >= float(loq), comparator == ">" or exact > float(upper), serial, under)


def readings_seen(run: Run) -> list[Seen]:
    """The usable readings of one run in the order read."""
    return _seen("r.run_id = %s", [run.pk])


def readings_lately(analyser_id: int, limit: int = 2000) -> list[Seen]:
    """The newest usable readings of an analyser, oldest first."""
    return _seen(
        "r.id IN (SELECT x.id FROM results_reading x JOIN results_run y ON y.id = x.run_id"
        " WHERE y.analyser_id = %s ORDER BY x.id DESC LIMIT %s)",
        [analyser_id, limit],
    )


@dataclass(frozen=True, slots=True)
class UnitAlarm:
    """A kind of unit slip, after how many readings its sum first passed the limit, and whether it is past it still."""

    kind: str
    after: int
    stands: bool


def unit_alarms(seen: Sequence[Seen], model: ZeroInflated | None = None) -> list[UnitAlarm]:
    """The alarms of readings that look five times too large or too small."""
    found = []
    values = [Under(one.under) if one.under else one.value for one in seen]
    for kind, factor in ((WatchAlarm.Kind.UNIT_TOO_LARGE, SLIP), (WatchAlarm.Kind.UNIT_TOO_SMALL, 1 / SLIP)):
        told = unit_watch(values, factor, model)
        if told.alarm_at is not None:
            found.append(UnitAlarm(kind.value, told.alarm_at + 1, told.stands))
    return found


def run_watched(run: Run, *, frame: Acting) -> bool:
    """Whether the patient watch holds a run that is about to close; its alarms are written down. Off unless the protocol
    switches it on."""
    if not results_policy_on(run.day).unit_watch:
        return False
    alarms = unit_alarms(readings_seen(run))
    WatchAlarm.objects.bulk_create(
        WatchAlarm(run=run, kind=alarm.kind, after=alarm.after, at=frame.now) for alarm in alarms
    )
    return bool(alarms)


def carry_over_in(run: Run) -> list[Seen]:
    """Small readings right after one over the upper limit in a run."""
    seen = readings_seen(run)
    if not seen:
        return []
    loq = min((one.value for one in seen if one.detectable), default=4.0)
    suspects = carry_over_suspects([Measured(one.number, one.value, one.over) for one in seen], max(loq, 1.0))
    numbers = {one.number for one in suspects}
    return [one for one in seen if one.number in numbers]


def comparison_enter(*, by: User, comparison: ComparisonSet, text: str) -> ComparisonSet:
    """Keep a comparison and its pairs, typed or pasted as `serial, known, new` a line; refuses an unreadable line by name."""
    require_role(by, Role.LABORATORY)
    pairs = list(_pairs(text))
    if not pairs:
        raise RoundbookError("pairs_missing", _("Type at least one sample: serial, known value, new value."))
    with acting(by) as frame:
        rule = CutoffRule.objects.filter(approved_by__isnull=False, valid__contains=frame.today).order_by("cutoff_ug_g").first()  # fmt: skip
        if rule is None:
            raise RoundbookError("no_cutoff", _("No cutoff is in force today. Ask the administrator."))
        comparison.entered_by, comparison.approved_by = by, None
        comparison.made_on, comparison.cutoff_ug_g = frame.today, rule.cutoff_ug_g
        comparison.save(force_insert=True)
        ComparisonPair.objects.bulk_create(
            ComparisonPair(comparison=comparison, serial=serial, known_ug_g=known, new_ug_g=new)
            for serial, known, new in pairs
        )
    return comparison


def _pairs(text: str) -> list[tuple[str, Decimal, Decimal]]:
    found: dict[str, tuple[str, Decimal, Decimal]] = {}
    for nth, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        parts = [part.strip() for part in line.replace(";", ",").replace("\t", ",").split(",")]
        try:
            serial, known, new = parts
            pair = (serial[:20], Decimal(known), Decimal(new))
            if not serial or serial in found or not all(v.is_finite() and 0 <= v < 100_000 for v in pair[1:]):
                raise ValueError(line)
        except (ValueError, InvalidOperation):
            raise RoundbookError(
                "pair_unreadable",
                _("Line %(n)s is not “serial, known value, new value” in µg/g, or names a sample again.") % {"n": nth},
            ) from None  # fmt: skip
        found[serial] = pair
    return list(found.values())


def comparison_told(comparison: ComparisonSet) -> Comparison:
    """What the pairs of a comparison say."""
    pairs = [Pair(p.known_ug_g, p.new_ug_g) for p in comparison.pairs.all()]
    return compare(pairs, comparison.cutoff_ug_g)


def comparison_approve(*, by: User, comparison: ComparisonSet, note: str) -> ComparisonSet:
    """Approve a comparison as a second person; one that fails needs words, and a lot then counts as verified."""
    require_role(by, Role.LABORATORY)
    with acting(by, reason=note.strip()):
        locked = ComparisonSet.objects.select_for_update(of=("self",)).get(pk=comparison.pk)
        if locked.approved_by_id is not None:
            raise IllegalMove("confirmed_before", _("This was approved already."))
        if locked.entered_by_id == by.pk:
            raise RoundbookError("second_person", _("You entered this yourself; somebody else approves it."))
        if not comparison_told(locked).accepted and not note.strip():
            raise RoundbookError("words_missing", _("It does not meet the limits: write why it is approved all the same."))  # fmt: skip
        locked.approved_by, locked.note = by, note.strip()
        locked.save(update_fields=["approved_by", "note"])
    return locked


def assessment_keep(*, by: User, row: AssessmentRound) -> AssessmentRound:
    """Keep a round of external assessment, its value or its assigned value; a score over 2 needs words once it is known."""
    require_role(by, Role.LABORATORY)
    with acting(by):
        score = assessment_told(row)
        if score is not None and score[1] is not Score.FINE and not row.action.strip():
            raise RoundbookError(
                "words_missing", _("The score is more than 2: write what was found and done.")
            )
        if row._state.adding:
            row.entered_by = by
        row.save()
    return row


def assessment_told(row: AssessmentRound) -> tuple[float, Score] | None:
    """(z, what it asks for), once both values are known."""
    if row.value is None or row.assigned is None or row.sd is None:
        return None
    z = assessment_z(row.value, row.assigned, row.sd)
    return float(z), assessment_score(z)
