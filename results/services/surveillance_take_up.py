"""Taking a planned surveillance examination up when it falls due: a referral of its own, in the same queue."""

from collections.abc import Sequence
from datetime import timedelta

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from results.follow_up_rules import DateRule
from results.models import NextStep, Referral
from results.services.referrals_frame import FOLLOWERS, closed_days_from, results_policy_on
from results.services.surveillance_register import plan_of, plans_standing
from screening.models import Person
from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool
from staff.working_days import working_days_after

CHUNK = 500


def plans_to_take_up() -> QuerySet[NextStep]:
    """The standing plans whose examination falls due so many days ahead as the protocol says, and nobody took up."""
    today = clock.today()
    ahead = results_policy_on(today).surveillance_days_before
    return _free(plans_standing()).filter(on__lte=today + timedelta(days=ahead))


def _free(plans: QuerySet[NextStep]) -> QuerySet[NextStep]:
    """Those whose person has no open referral: one live referral a person, so a plan waits until that one is closed."""
    live = Referral.objects.exclude(state="closed").values("person")
    return plans.exclude(referral__person__in=live)


def surveillance_take_up(*, by: User, plan_ids: Sequence[int] | None = None) -> int:
    """Open a referral for each plan that falls due, or for the chosen ones even before; safe to run twice and at once.

    It begins at “reach the person”, its days counted from the planned day. Past the stop age it begins at the
    clinicians, who decide with the person (H25). Returns how many were opened.
    """
    plans = plans_to_take_up() if plan_ids is None else _free(plans_standing()).filter(pk__in=plan_ids)
    opened, rest = 0, list(plans.values_list("pk", flat=True))
    while rest:
        chunk, rest = rest[:CHUNK], rest[CHUNK:]
        opened += _opened(by, chunk)
    return opened


def surveillance_take_up_now(*, by: User, plan: NextStep) -> Referral:
    """One plan, at a colleague's wish, also before it falls due; says why where it cannot be."""
    require_role(by, *FOLLOWERS)
    if not surveillance_take_up(by=by, plan_ids=[plan.pk]):
        raise RoundbookError(
            "not_taken_up",
            _("This plan was taken up already, was replaced, or the person has another open referral."),
        )
    return Referral.objects.get(plan=plan)


def _opened(by: User, plan_ids: Sequence[int]) -> int:
    with acting(by, reason="surveillance falls due") as frame:
        people = Person.objects.filter(referrals__next_steps__in=plan_ids).distinct().values("pk")
        list(Person.objects.select_for_update(no_key=True).filter(pk__in=people).order_by("pk").only("pk"))
        standing = list(_free(plans_standing()).filter(pk__in=plan_ids))
        if not standing:
            return 0
        Referral.objects.bulk_create(
            Referral(
                person_id=one.referral.person_id, opened_on=one.on or frame.today, origin=Referral.Origin.SURVEILLANCE,
                plan=one,
            )
            for one in standing
        )  # fmt: skip
        made = dict(Referral.objects.filter(plan__in=standing).values_list("plan_id", "pk"))
        past = [plan_of(one, frame.today).past_stop_age for one in standing]
        due = working_days_after(frame.today, 0, closed_days_from(frame.today))
        return make_moves(
            ledger_of(Referral), "open",
            source="SELECT * FROM unnest(%(ids)s::bigint[], %(pools)s::text[], %(rules)s::text[], %(notes)s::text[])"
            " AS x (id, pool, rule, note)",
            params={
                "ids": [made[one.pk] for one in standing], "due": due,
                "pools": [(Pool.CLINICIANS if old else Pool.COORDINATORS).value for old in past],
                "rules": [(DateRule.STOP_AGE if old else DateRule.SURVEILLANCE).value for old in past],
                "notes": [one.words for one in standing],
            },
            values={
                "due_on": "%(due)s::date", "pool": "w.pool", "rule": "w.rule", "note": "w.note", "reason": "'surveillance'",
            },
        )  # fmt: skip
