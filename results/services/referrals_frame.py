"""What every service of referrals shares: one transaction with lock and stale check, working days, policy, hands."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import cached_property
from typing import Any

from django.utils.translation import gettext_lazy as _

from results.models import Referral, ResultsPolicy
from results.referral_ladder import WaitPolicy
from results.states import REFERRAL
from staff.access import require_role
from staff.acting import Acting, acting, remembered
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_move
from staff.models import NonWorkingDay, User
from staff.models.ledger import Subject
from staff.roles import Pool, Role
from staff.working_days import working_days_after

FOLLOWERS = (Role.COORDINATOR, Role.CLINICIAN)


def results_policy_on(day: date) -> ResultsPolicy:
    """The results policy in force on a day: the latest approved one, which holds until another of its own kind begins.

    RoundbookError when there is none.
    """
    return remembered(("results policy", day), lambda: _results_policy_on(day))


def _results_policy_on(day: date) -> ResultsPolicy:
    approved = ResultsPolicy.objects.filter(
        protocol__valid_from__lte=day, protocol__approved_by__isnull=False
    )
    policy = approved.order_by("-protocol__valid_from").first()
    if policy is None:
        raise RoundbookError(
            "no_protocol",
            _("No approved protocol is in force on %(day)s. Ask the administrator.") % {"day": day},
        )
    return policy


def wait_policy(policy: ResultsPolicy) -> WaitPolicy:
    """The marks of the bar of days under a protocol."""
    return WaitPolicy(
        promise=policy.examination_days, second_alarm=policy.alarm_days, failure=policy.fail_days
    )


def closed_days_from(day: date) -> frozenset[date]:
    """The days after this one on which the whole programme does not work; weekends are not listed."""
    ahead = day + timedelta(days=120)
    found = NonWorkingDay.objects.filter(site__isnull=True, day__range=(day, ahead))
    return remembered(("closed days", day), lambda: frozenset(found.values_list("day", flat=True)))


@dataclass
class Work:
    """One referral under lock, the acting user, and what dates are counted with."""

    frame: Acting
    referral: Referral

    @property
    def by(self) -> User:
        """Who acts."""
        return self.frame.by

    @property
    def today(self) -> date:
        """The local date of this transaction."""
        return self.frame.today

    @cached_property
    def closed_days(self) -> frozenset[date]:
        """Closed days around today, read once."""
        return closed_days_from(self.today - timedelta(days=30))

    @cached_property
    def policy(self) -> ResultsPolicy:
        """The policy of today, read once."""
        return results_policy_on(self.today)

    def working(self, count: int, after: date | None = None) -> date:
        """The day so many working days after a day (today if none is given)."""
        return working_days_after(after or self.today, count, self.closed_days)

    def allows(self, event: str) -> bool:
        """Whether the event may happen in the state the referral is in."""
        return REFERRAL.allows(self.referral.state, event)

    def demand(self, event: str) -> None:
        """Refuse, in words, what may not happen in this state."""
        if not self.allows(event):
            raise IllegalMove(
                "illegal_move",
                _(
                    "This referral stands at “%(state)s”, so this cannot be recorded now. Look at the page again."
                )
                % {"state": REFERRAL.label(self.referral.state)},
                state=self.referral.state,
                event=event,
            )

    def hands(self, state: str) -> dict[str, Any]:
        """Who holds the referral next: its owner once claimed, else the pool that this state calls for."""
        if self.referral.owner_id is not None:
            return {"owner": self.by if self.referral.owner_id == self.by.pk else self.referral.owner}
        return {"pool": Pool.CLINICIANS if state == "to_classify" else Pool.COORDINATORS}

    def move(
        self, event: str, *, due_on: date, rule: str, reason: str = "", note: str = "", due_time: time | None = None,
        hands: dict[str, Any] | None = None,
    ) -> None:  # fmt: skip
        """Move the referral to an open state with its next date, and who holds it."""
        target = REFERRAL.step(self.referral.state, event).target
        kept = self.hands(target) if hands is None else hands
        make_move(
            self.referral,
            event,
            due_on=due_on,
            due_time=due_time,
            reason=reason,
            note=note,
            rule=rule,
            **kept,
        )


@contextmanager
def referral_work(
    *, by: User, referral: Referral, seen: int | None = None, roles: tuple[Role, ...] = FOLLOWERS
) -> Iterator[Work]:
    """One locked referral in one transaction; refuses the wrong role and a form that is behind (code `stale`).

    `seen` is the number of the last move the form was drawn with. The caller's object is brought up to date.
    """
    require_role(by, *roles)
    with acting(by) as frame:
        # No join here: after waiting for the lock PostgreSQL re-reads the locked row only, not what it was joined with.
        locked = Referral.objects.select_for_update(no_key=True).get(pk=referral.pk)
        if seen is not None and seen != locked.last_seq:
            raise IllegalMove(
                "stale",
                _(
                    "Somebody changed this referral while you were writing. Read what changed, then send again."
                ),
                seen=seen,
                now=locked.last_seq,
            )
        yield Work(frame=frame, referral=locked)
    if referral is not locked:
        for column in Subject.PROJECTED:
            setattr(referral, column, getattr(locked, column))
