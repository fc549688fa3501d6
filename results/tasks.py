"""The recurring work of results: bringing the bench up to date with the desk."""

from celery import shared_task

from results.models import LookBack
from results.services.auto_release import results_release_by_rule
from results.services.calendar_moves import people_of_cancelled_settle
from results.services.look_back import look_back_refresh, look_back_widen
from results.services.places import places_lapse
from results.services.referrals_leave import hand_overs_due
from results.services.samples import samples_take_in
from staff.acting import acting
from staff.models import User


@shared_task(name="results.sweep")
def sweep() -> int:
    """Take in the returns that became ready, and give back those that were undone; safe to run twice and at once.

    Then release what the protocol lets go by itself, bring open look-backs up to date, and begin or end hand-overs.
    Let held places lapse, and settle whoever is still on a cancelled list.
    """
    by = User.objects.system()
    taken = samples_take_in(by=by)
    results_release_by_rule(by=by)
    hand_overs_due(by=by)
    places_lapse(by=by)
    people_of_cancelled_settle(by=by)
    with acting(by):
        for look_back in LookBack.objects.filter(closed_at__isnull=True):
            look_back_widen(look_back)
            look_back_refresh(by=by, look_back=look_back)
    return taken
