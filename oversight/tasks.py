"""What the workers do for oversight: the daily duties, folding what changed into the figures, making files."""

from celery import shared_task

from oversight.services.daily import daily_duties
from oversight.services.exports import exports_make
from oversight.services.rollup import counted_first, fold_all, rebuild
from staff.models import User


@shared_task(name="oversight.daily")
def daily() -> None:
    """Do whatever of today's duties is not done yet; safe to ring every minute."""
    daily_duties(by=User.objects.system())


@shared_task(name="oversight.fold")
def fold() -> None:
    """Fold whatever waits; counts everything first where that was never done by the definitions in use."""
    if not counted_first():
        rebuild()
    fold_all()


@shared_task(name="oversight.make_files")
def make_files() -> None:
    """Make the files that were asked for, and those a killed worker left half-made."""
    exports_make()
