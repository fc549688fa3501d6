"""Reads the outreach policy in force and the programme's closed days."""

from datetime import date, timedelta

from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from outreach.models import OutreachPolicy
from outreach.timing import PostCalendar
from screening.services.rounds import policy_on
from staff.acting import remembered
from staff.errors import RoundbookError
from staff.models import NonWorkingDay


def outreach_policy_on(day: date) -> OutreachPolicy:
    """The outreach section of the protocol in force on a day."""
    policy = remembered(
        ("outreach policy", day),
        lambda: OutreachPolicy.objects.filter(protocol=policy_on(day).protocol).first(),
    )
    if policy is None:
        raise RoundbookError(
            "no_outreach_policy",
            _("The protocol in force says nothing about letters. Ask the administrator."),
        )
    return policy


def post_calendar(policy: OutreachPolicy, *, around: date) -> PostCalendar:
    """Closed days of the whole programme around a day, with the policy's rules for landing."""
    near = Q(day__range=(around - timedelta(days=430), around + timedelta(days=120)))
    closed = NonWorkingDay.objects.filter(near, site=None).values_list("day", flat=True)
    return PostCalendar(
        closed=frozenset(closed),
        no_landing_weekdays=frozenset(policy.no_landing_weekdays),
        post_days=policy.post_days,
        below_working_days=policy.below_working_days,
    )
