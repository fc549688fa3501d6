"""Another kit at once for somebody on the phone whose kit never came or is gone."""

from django.utils.translation import gettext as _

from screening.models import Kit, Round
from screening.services.batches import kit_reported_lost, replacements_send
from screening.services.policies import policy_on
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove
from staff.models import User


def kit_replace_now(*, by: User, kit: Kit) -> Round | None:
    """Record a kit as lost and send another, all or nothing; the reminder's clock starts again with the new one.

    RoundbookError when the kit is not on its way, every replacement is used up, or no kit in stock lasts long enough; then
    nothing is done. Source: the programme's job description 2.4 (exception 4) and 2.5 (exception 4).
    """
    with acting(by, reason="another kit on the phone"):
        round_ = kit_reported_lost(by=by, kit=kit, note="asked on the phone")
        if round_ is None or not replacements_send(by=by, round_ids=[round_.pk]):
            raise _no_other(Kit.objects.filter(round=kit.round, dispatched_on__isnull=False).count())
        round_.refresh_from_db()
    return round_


def _no_other(sent: int) -> IllegalMove:
    """Why no other kit goes out to somebody who was sent so many."""
    if sent > policy_on(clock.today()).max_replacements:
        return IllegalMove(
            "replacements_used_up",
            _("No other kit may be sent: all replacements of the round are used up. Agree on the next step with the coordinator."),
        )  # fmt: skip
    return IllegalMove(
        "no_other_kit",
        _("No other kit may be sent: the person may not be invited now. Their page says what is in the way."),
    )  # fmt: skip
