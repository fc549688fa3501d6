"""A changed guideline: standing surveillance plans are looked at as a list, and a clinician signs the new days in one go.

Job 2.17, exception 5. Nothing moves by itself: each plan chosen is decided anew through the same doors as a single one,
so its letters, its exclusion and its history are those of any signed next step (R9).
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from results.follow_up_rules import DateRule
from results.models import NextStep, Referral, ResultsPolicy
from results.policy_effects import Differs, plans_that_differ
from results.services.findings import finding_compute
from results.services.referrals_closing import next_step_sign
from results.services.referrals_frame import referral_work, results_policy_on
from results.services.referrals_rounds import round_taken_up
from results.services.surveillance_register import plans_standing
from staff import clock
from staff.access import require_role
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool, Role

MOST_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Signed:
    """How many plans were signed anew, and whose were left with the reason in words."""

    done: int
    left: tuple[str, ...]


def plans_to_sign_anew(policy: ResultsPolicy) -> list[Differs]:
    """The standing plans that rest on another guideline than `policy` and that it would propose otherwise."""
    old = policy.based_on or policy
    return [
        one
        for one in plans_that_differ(old, policy)
        if (made := one.plan.computed) is None
        or (made.guideline, made.villous_counts) != (policy.guideline, policy.villous_counts)
    ]


def plans_sign_anew(*, by: User, policy: ResultsPolicy, plan_ids: Collection[int], words: str) -> Signed:
    """A clinician signs the new day of the chosen plans, each in a transaction of its own; safe to run twice.

    Only those that stay surveillance with a day: another course is decided one by one. `words` stands in the letters.
    RoundbookError unless the policy's guideline is in force today, or when too many are chosen.
    """
    require_role(by, Role.CLINICIAN)
    if not words.strip():
        raise RoundbookError("words_missing", _("Write what the person and the doctor will read."))
    now = results_policy_on(clock.today())
    if (now.guideline, now.villous_counts) != (policy.guideline, policy.villous_counts):
        raise RoundbookError(
            "not_in_force", _("This guideline is not in force today. Sign the new days once it is.")
        )
    if len(plan_ids) > MOST_AT_ONCE:
        raise RoundbookError("too_many", _("Choose at most %(n)s plans at once.") % {"n": MOST_AT_ONCE})
    done, left = 0, []
    for one in plans_to_sign_anew(policy):
        if one.plan.pk in plan_ids:
            problem = _signed_anew(by, one, words.strip())
            done += not problem
            left += [f"{one.plan.referral.person}: {problem}"] if problem else []
    return Signed(done, tuple(left))


def _signed_anew(by: User, differs: Differs, words: str) -> str:
    """Sign one plan; what kept it from being signed, or nothing."""
    if differs.on is None:
        return _("the guideline proposes another course now; decide it on its own page")
    try:
        with transaction.atomic():
            _opened_for_signing(by, differs.plan)
            referral = Referral.objects.get(pk=differs.plan.referral_id)
            on = max(differs.on, clock.today() + timedelta(days=1))
            next_step_sign(
                by=by, referral=referral, finding=referral.computed.latest("pk").finding, step="surveillance", on=on,
                words=words, close=True, deviation=_("The guideline changed; its day is nearer than that, or past."),
            )  # fmt: skip
    except RoundbookError as error:
        return str(error.sentence)
    return ""


def _opened_for_signing(by: User, plan: NextStep) -> None:
    """The closed referral stands at the clinicians' for the moment of signing, with the class computed by the policy in force."""
    with referral_work(by=by, referral=plan.referral, roles=(Role.CLINICIAN,)) as work:
        if not plans_standing().filter(pk=plan.pk).exists():
            raise RoundbookError("plan_gone", _("this plan does not stand any more"))
        if Referral.objects.filter(person_id=work.referral.person_id).exclude(state="closed").exists():
            raise RoundbookError("other_open", _("another referral of this person is open; decide it there"))
        finding_compute(work)
        make_move(
            work.referral, "reclassify", due_on=work.working(1), rule=DateRule.CLASSIFY, reason="guideline_changed",
            pool=Pool.CLINICIANS,
        )  # fmt: skip
        round_taken_up(work)
