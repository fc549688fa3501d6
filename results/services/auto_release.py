"""Releasing clean results below without a click, where the protocol says so; nothing else goes by itself."""

from results.services.authorise import below_released
from results.services.referrals_frame import results_policy_on
from staff import clock
from staff.errors import RoundbookError
from staff.models import User


def results_release_by_rule(*, by: User) -> int:
    """Release what the bulk release would, if the protocol of today lets it go by itself; returns how many.

    Only readings that came from an analyser, unflagged, between controls in control, from a fresh enough sample, below
    and not straddling, with nothing that a person must look at (job 2.9). Typed readings never go this way (R14).
    """
    try:
        policy = results_policy_on(clock.today())
    except RoundbookError:
        return 0
    return below_released(by=by) if policy.auto_release_below else 0
