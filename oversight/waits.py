"""What the last nightly proof found, and whose account waits to be confirmed."""

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from oversight.services.proofs import proof_latest, run_summary
from staff import clock
from staff.services.confirmations import SOON_DAYS, accounts_late_soon
from staff.waits import Teller, Wait


def proof() -> list[Wait]:
    """When the proof ran last and how many of its checks did not hold."""
    run = proof_latest()
    if run is None:
        return [Wait(_("not proved yet"), pressing=True)]
    broken = len(run_summary(run).violated)
    day = date_format(run.started_at.astimezone(clock.zone()), "j M, H:i")
    if not broken:
        return [Wait(_("every check held on %(day)s") % {"day": day})]
    words = ngettext("%(n)s check did not hold on %(day)s", "%(n)s checks did not hold on %(day)s", broken)
    return [Wait(words % {"n": broken, "day": day}, pressing=True)]


def accounts() -> list[Wait]:
    """Accounts past the day by which somebody confirms them, and those that come to it soon; told here for the ground floor."""
    late, soon = accounts_late_soon()
    told = []
    if late:
        words = ngettext("%(n)s account not confirmed in time", "%(n)s accounts not confirmed in time", late)
        told.append(Wait(words % {"n": late}, pressing=True))
    if soon:
        words = ngettext(
            "%(n)s account to be confirmed within %(days)s days",
            "%(n)s accounts to be confirmed within %(days)s days",
            soon,
        )
        told.append(Wait(words % {"n": soon, "days": SOON_DAYS}))
    return told or [Wait(_("every account is confirmed"))]


WAITS: dict[str, Teller] = {"oversight:proof": proof, "staff:accounts": accounts}
