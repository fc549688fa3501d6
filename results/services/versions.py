"""Dated versions of analysers and kit models: entered by one person, put in force by another."""

from datetime import date

from django.utils.translation import gettext as _

from results.classify import Device, RuleProblemCode, rule_problems
from results.models import Analyser, AnalyserVersion, KitModelProposal, Run
from results.services.authorise_facts import rules_in_force
from results.services.referrals_frame import results_policy_on
from screening.services.stock import kit_model_add
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

LIMITS = frozenset({RuleProblemCode.NOT_ABOVE_LOQ, RuleProblemCode.NOT_UNDER_UPPER_LIMIT})


def version_enter(*, by: User, row: AnalyserVersion | KitModelProposal) -> None:
    """Propose a version; it counts for nothing until another person has compared it with the leaflet or the analyser."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        if row.valid_from < frame.today:
            raise RoundbookError("version_in_the_past", _("A version cannot begin in the past."))
        if isinstance(row, KitModelProposal):
            _kit_model_plausible(row, frame.today)
        row.entered_by, row.confirmed_by = by, None
        row.save(force_insert=True)


def _kit_model_plausible(row: KitModelProposal, today: date) -> None:
    if not (row.stool_mg > 0 and row.buffer_ml > 0 and 0 <= row.lod_ug_g <= row.loq_ug_g < row.upper_ug_g):
        raise RoundbookError(
            "kit_limits",
            _(
                "Mass and volume are above zero, and detection ≤ quantitation < upper limit. Compare with the leaflet."
            ),
        )
    if not 1 <= row.sample_age_limit_days <= 60:
        raise RoundbookError("kit_age", _("A sample may be 1 to 60 days old. Compare with the leaflet."))
    rules = [rule for rule in rules_in_force() if rule.valid_until is None or rule.valid_until > today]
    device = Device(row.buffer_ml, row.stool_mg, row.loq_ug_g, row.upper_ug_g)
    for problem in rule_problems(rules, [device], results_policy_on(today).decimals):
        if problem.code in LIMITS:
            raise RoundbookError(problem.code.value, str(problem.sentence))


def version_confirm(*, by: User, row: AnalyserVersion | KitModelProposal) -> None:
    """Put a proposed version in force as somebody other than who entered it."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        locked = type(row)._default_manager.select_for_update(of=("self",)).get(pk=row.pk)
        if locked.confirmed_by_id is not None:
            raise IllegalMove("confirmed_before", _("This was confirmed already."))
        if locked.entered_by_id == by.pk:
            raise RoundbookError("second_person", _("You entered this yourself; somebody else confirms it."))
        if isinstance(locked, AnalyserVersion):
            column = "analyser"
            locked.analyser = _analyser_of(locked)
        else:
            column = "kit_model"
            locked.kit_model = kit_model_add(
                by=by, name=locked.name, stool_mg=locked.stool_mg, buffer_ml=locked.buffer_ml, lod_ug_g=locked.lod_ug_g,
                loq_ug_g=locked.loq_ug_g, upper_ug_g=locked.upper_ug_g, valid_from=locked.valid_from,
                sample_age_limit_days=locked.sample_age_limit_days,
            )  # fmt: skip
        locked.confirmed_by = by
        locked.save(update_fields=[column, "confirmed_by"])
        analysers_bring_up(frame=frame)
    row.refresh_from_db()


def _analyser_of(row: AnalyserVersion) -> Analyser:
    known = Analyser.objects.filter(code=row.code).first()
    if known is not None and known.site_id != row.site_id:
        raise RoundbookError(
            "analyser_elsewhere",
            _("%(code)s stands at another laboratory. Give an analyser that moved a code of its own.") % {"code": row.code},
        )  # fmt: skip
    return known or Analyser.objects.create(
        code=row.code, site=row.site, name=row.name, usual_unit=row.usual_unit, positions=row.positions
    )


def analysers_bring_up(*, frame: Acting) -> int:
    """Set every analyser up as its newest version whose day has come says, between runs; returns how many changed."""
    newest = (
        AnalyserVersion.objects.filter(confirmed_by__isnull=False, valid_from__lte=frame.today)
        .order_by("analyser_id", "-valid_from", "-pk")
        .distinct("analyser_id")
    )
    running = set(Run.objects.filter(status=Run.Status.OPEN).values_list("analyser_id", flat=True))
    changed = 0
    for row in newest:
        if row.analyser_id is None or row.analyser_id in running:
            continue
        facts = {"name": row.name, "usual_unit": row.usual_unit, "positions": row.positions}
        changed += Analyser.objects.filter(pk=row.analyser_id).exclude(**facts).update(**facts)
    return changed
