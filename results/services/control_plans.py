"""The control scheme in force on a day, and its entry by one person and confirmation by another."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from results.bracketing import Rhythm
from results.control_rules import Action, ControlScheme, RangeRule, Rule
from results.models import Analyser, CheckLot, ControlPlan
from results.services.referrals_frame import results_policy_on
from staff.access import require_role
from staff.acting import acting, remembered
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

CheckValues = Sequence[tuple[CheckLot, bool]]
COLUMNS: dict[Rule, str] = {
    Rule.R_1_2S: "on_1_2s",
    Rule.R_1_3S: "on_1_3s",
    Rule.R_2_2S: "on_2_2s",
    Rule.R_R_4S: "on_r_4s",
    Rule.R_4_1S: "on_4_1s",
    Rule.R_10X: "on_10x",
}


@dataclass(frozen=True, slots=True)
class PlanInForce:
    """What an analyser's runs need on a day; without a confirmed scheme the protocol's levels and the defaults."""

    levels: int
    checks: int
    rhythm: Rhythm
    range_rule: RangeRule
    across_materials: bool
    actions: Mapping[Rule, Action] | None

    def scheme(self, materials: Sequence[str] | None = None, checks: Sequence[str] = ()) -> ControlScheme:
        """The rules; `materials` replaces the levels asked for (controls in between may be only some)."""
        levels = [f"level {n + 1}" for n in range(self.levels)] if materials is None else materials
        known: dict[str, Any] = {} if self.actions is None else {"actions": self.actions}
        return ControlScheme(
            frozenset(levels), frozenset(checks), self.range_rule, self.across_materials, **known
        )


def plan_on(analyser: Analyser, day: date) -> PlanInForce:
    """The analyser's own confirmed scheme, else the one for all analysers, else the protocol's defaults."""
    return remembered(("control plan", analyser.pk, day), lambda: _plan_on(analyser, day))


def _plan_on(analyser: Analyser, day: date) -> PlanInForce:
    rows = ControlPlan.objects.filter(
        Q(analyser=analyser) | Q(analyser__isnull=True), valid_from__lte=day, confirmed_by__isnull=False
    )
    found = sorted(rows, key=lambda row: (row.analyser_id is None, -row.valid_from.toordinal(), -row.pk))
    if not found:
        levels = results_policy_on(day).control_levels
        return PlanInForce(levels, 0, Rhythm(), RangeRule.BOTH_BEYOND_2, True, None)
    row = found[0]
    asked = {rule: getattr(row, column) for rule, column in COLUMNS.items()}
    return PlanInForce(
        row.levels, row.checks, Rhythm(row.every_samples, row.every_hours), RangeRule(row.range_rule),
        row.across_materials, {rule: Action(action) for rule, action in asked.items() if action},
    )  # fmt: skip


def control_plan_enter(*, by: User, plan: ControlPlan) -> ControlPlan:
    """Propose a scheme; it counts for nothing until another person confirms it."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        if plan.valid_from < frame.today:
            raise RoundbookError(
                "plan_in_the_past",
                _("A scheme cannot begin in the past: runs were judged by the earlier one."),
            )
        plan.entered_by, plan.confirmed_by = by, None
        plan.save(force_insert=True)
    return plan


def control_plan_confirm(*, by: User, plan: ControlPlan) -> ControlPlan:
    """Put a proposed scheme in force, as somebody other than who entered it."""
    require_role(by, Role.LABORATORY)
    with acting(by):
        locked = ControlPlan.objects.select_for_update(of=("self",)).get(pk=plan.pk)
        if locked.confirmed_by_id is not None:
            raise IllegalMove("confirmed_before", _("This was confirmed already."))
        if locked.entered_by_id == by.pk:
            raise RoundbookError("second_person", _("You entered this yourself; somebody else confirms it."))
        locked.confirmed_by = by
        locked.save(update_fields=["confirmed_by"])
    return locked
