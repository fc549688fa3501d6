"""Checks of the deployment checklist (`check --deploy`) beyond Django's own."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Tags, Warning, register


@register(Tags.security, deploy=True)
def the_clock_runs(app_configs: Any, **_kwargs: Any) -> list[CheckMessage]:
    """A day that stands still is for demonstrations; in production every deadline would stand still with it."""
    if not settings.FIXED_TODAY:
        return []
    return [
        Warning(
            "ROUNDBOOK_TODAY holds the day still.",
            hint="Take ROUNDBOOK_TODAY out of the environment: nothing falls due while it is there.",
            id="staff.W001",
        )
    ]
