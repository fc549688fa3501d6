"""Pass/fail checks of a run: which lots may be used, and writing down whether they passed."""

from collections.abc import Sequence
from datetime import date

from django.utils.translation import gettext as _

from results.control_rules import CheckPoint
from results.models import Analyser, CheckLot, CheckReading, Run
from results.services.control_plans import CheckValues
from staff.acting import Acting


def check_lot_trouble(lot: CheckLot, *, analyser: Analyser, day: date) -> str:
    """Why this lot of a check may not be used, in words; empty when it may."""
    names = {"check": str(lot), "analyser": str(analyser), "day": lot.expires_on}
    if lot.analyser_id != analyser.pk:
        return _("%(check)s was not entered for %(analyser)s. Enter it first.") % names
    if lot.confirmed_by_id is None:
        return _("%(check)s waits for a second person. Have it confirmed first.") % names
    if day > lot.expires_on:
        return _("%(check)s expired on %(day)s. Open a new lot.") % names
    if day < lot.opened_on:
        return _("%(check)s is to be opened on a day that is still to come.") % names
    return ""


def checks_trouble(run: Run, checks: CheckValues, day: date) -> list[str]:
    """Why any of these check lots may not be used in this run."""
    found = (check_lot_trouble(lot, analyser=run.analyser, day=day) for lot, _passed in checks)
    return [trouble for trouble in found if trouble]


def check_points(key: str, checks: CheckValues) -> list[CheckPoint]:
    """The checks as the rules know them."""
    return [CheckPoint(key, lot.material, passed) for lot, passed in checks]


def checks_asked(analyser: Analyser, count: int) -> list[str]:
    """The names of the checks that a scheme asking for so many means: the analyser's confirmed ones in their order."""
    if not count:
        return []
    known = CheckLot.objects.filter(analyser=analyser, confirmed_by__isnull=False).order_by("material")
    names = list(known.values_list("material", flat=True).distinct()[:count])
    return [*names, *(_("check %(n)s") % {"n": n + 1} for n in range(len(names), count))]


def checks_write(run: Run, checks: CheckValues, position: str, frame: Acting) -> None:
    """Write down whether the checks passed."""
    CheckReading.objects.bulk_create(
        CheckReading(
            run=run, check_lot=lot, position=position, passed=passed, read_at=frame.now, read_by=frame.by,
            lot_usable=not check_lot_trouble(lot, analyser=run.analyser, day=frame.today),
        )
        for lot, passed in checks
    )  # fmt: skip


def checks_for(analyser: Analyser) -> Sequence[CheckLot]:
    """The check lots an analyser can be opened with, the newest lot of each material."""
    lots = CheckLot.objects.filter(analyser=analyser, confirmed_by__isnull=False)
    return list(lots.order_by("material", "-opened_on", "-pk").distinct("material"))
