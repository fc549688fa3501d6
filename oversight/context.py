"""The banner over every page while a check that must be looked at at once does not hold."""

from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject

from oversight.checks import CHECKS, Severity
from oversight.models import ProofResult, ProofRun
from oversight.routes import OVERSEERS
from staff.models import User

GRAVE = sorted(check.name for check in CHECKS.values() if check.severity is Severity.P1)


def _alarm(user: User) -> dict[str, Any] | None:
    """How many grave checks do not hold in the last run, for whoever may look; None when all hold."""
    if not user.roles & OVERSEERS.roles:
        return None
    last = ProofRun.objects.exclude(kind=ProofRun.Kind.RESTORED).order_by("-pk").values("pk")[:1]
    broken = ProofResult.objects.filter(run__in=last, violating__gt=0, check_name__in=GRAVE).count()
    return {"n": broken, "url": reverse("oversight:checks")} if broken else None


def alarm(request: HttpRequest) -> dict[str, Any]:
    """Template variable `net_alarm`; looked up only where a page shows it."""
    user = getattr(request, "user", None)
    return {"net_alarm": SimpleLazyObject(lambda: _alarm(user) if isinstance(user, User) else None)}
