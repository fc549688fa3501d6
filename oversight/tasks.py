"""What the workers do for oversight: the daily duties."""

from celery import shared_task

from oversight.services.daily import daily_duties
from staff.models import User


@shared_task(name="oversight.daily")
def daily() -> None:
    """Do whatever of today's duties is not done yet; safe to ring every minute."""
    daily_duties(by=User.objects.system())
