"""The recurring work of results: bringing the bench up to date with the desk."""

from celery import shared_task

from results.services.samples import samples_take_in
from staff.models import User


@shared_task(name="results.sweep")
def sweep() -> int:
    """Take in the returns that became ready, and give back those that were undone; safe to run twice and at once."""
    return samples_take_in(by=User.objects.system())
