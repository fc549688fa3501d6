"""The surveillance register: everybody whose signed next step is a surveillance examination, by its day."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import OuterRef, QuerySet, Subquery

from results.models import NextStep, Referral
from results.services.referrals_frame import results_policy_on
from screening.models import Exclusion, ExclusionKind
from screening.months import add_months

SOON_DAYS = 90
LATE_DAYS = 30
"""How far ahead a plan is prepared, and how long after its day it counts as late: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One planned surveillance examination and how it stands today."""

    step: NextStep
    days: int
    past_stop_age: bool

    @property
    def overdue(self) -> bool:
        """Whether its day has passed."""
        return self.days < 0

    @property
    def late(self) -> bool:
        """Whether it has passed long ago."""
        return self.days < -LATE_DAYS

    @property
    def days_over(self) -> int:
        """Days since the planned day."""
        return max(-self.days, 0)


def plans_standing() -> QuerySet[NextStep]:
    """Each person's last signed step where it is surveillance, its referral is closed with it, the person is still kept for
    it, and nobody has taken it up.
    """
    latest = NextStep.objects.filter(referral__person=OuterRef("referral__person")).order_by("-pk")
    kept = Exclusion.objects.filter(kind=ExclusionKind.SURVEILLANCE, until__isnull=True)
    return (
        NextStep.objects.filter(
            pk=Subquery(latest.values("pk")[:1]), step=NextStep.Step.SURVEILLANCE, referral__state="closed",
            referral__close_reason="next_step_signed", referral__person__in=kept.values("person"),
            referral__person__deceased_on__isnull=True, taken_up_by__isnull=True,
        )
        .select_related("referral__person", "signed_by", "computed")
        .order_by("on", "pk")
    )  # fmt: skip


def taken_up() -> QuerySet[Referral]:
    """The open referrals that a plan was taken up with, earliest plan first."""
    found = Referral.objects.filter(origin=Referral.Origin.SURVEILLANCE).exclude(state="closed")
    return found.select_related("person", "plan", "owner").order_by("opened_on", "pk")


def plans_due(today: date, *, soon: bool) -> QuerySet[NextStep]:
    """The plans overdue or due within 90 days, or all of them."""
    found = plans_standing()
    return found.filter(on__lte=today + timedelta(days=SOON_DAYS)) if soon else found


def plan_of(step: NextStep, today: date) -> Plan:
    """How a plan stands: days to its day (negative: overdue), and whether the person will be past the stop age (H25)."""
    on = step.on or today
    born, stop = step.referral.person.birth_date, results_policy_on(today).surveillance_stop_age
    return Plan(step, (on - today).days, born is not None and add_months(born, 12 * stop) <= on)
