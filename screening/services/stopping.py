"""Ends rounds before their kit came back, and keeps kits that were not sent from being sent."""

from collections.abc import Sequence

from screening.models import Kit
from screening.services.rounds import rounds_close
from staff.acting import acting
from staff.models import User


def rounds_stop(*, by: User, round_ids: Sequence[int], reason: str, rule: str = "") -> int:
    """Close rounds for a reason that is not a result and void their kits that were assigned but not sent.

    A kit that was sent stays good: when it comes it is received and judged. Returns how many rounds were closed.
    """
    with acting(by) as frame:
        closed = rounds_close(by=by, round_ids=round_ids, reason=reason, rule=rule)
        unsent = Kit.objects.filter(
            round__in=round_ids, round__state="closed", state="assigned", void_on=None
        )
        unsent.update(void_on=frame.today, void_reason=reason)
    return closed
