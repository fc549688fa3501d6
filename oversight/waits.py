"""What the last nightly proof found."""

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from oversight.services.proofs import proof_latest, run_summary
from staff import clock
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


WAITS: dict[str, Teller] = {"oversight:proof": proof}
