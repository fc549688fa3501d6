"""Which screening policy is in force on a day."""

from datetime import date

from django.utils.translation import gettext_lazy as _

from screening.models import ScreeningPolicy
from staff.acting import remembered
from staff.errors import NO_PROTOCOL, RoundbookError


def policy_on(day: date) -> ScreeningPolicy:
    """The screening policy in force on a day; raises RoundbookError when no approved protocol covers it."""
    return remembered(("screening policy", day), lambda: _policy_on(day))


def policy_last() -> ScreeningPolicy | None:
    """The screening policy of the approved protocol that begins last: the one in force once no other is to come."""
    approved = ScreeningPolicy.objects.filter(protocol__approved_by__isnull=False)
    return approved.select_related("protocol").order_by("-protocol__valid_from", "-pk").first()


def _policy_on(day: date) -> ScreeningPolicy:
    policy = (
        ScreeningPolicy.objects.select_related("protocol")
        .filter(protocol__valid_from__lte=day, protocol__approved_by__isnull=False)
        .exclude(protocol__valid_to__lte=day)
        .order_by("-protocol__valid_from")
        .first()
    )
    if policy is None:
        raise RoundbookError(
            NO_PROTOCOL,
            _("No approved protocol is in force on %(day)s. Ask the administrator.") % {"day": day},
        )
    return policy
