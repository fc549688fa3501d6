"""The page "Nobody falls through": what was checked, when, and what does not hold."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from oversight.models import ProofRun
from oversight.proof_page import findings_of, person_address
from oversight.services.proofs import prove, run_summary
from staff.errors import NotAllowed
from staff.models import User

HISTORY = 14


def _reader(request: HttpRequest) -> User:
    if not isinstance(request.user, User):
        raise NotAllowed("signed_out", _("Sign in first."))
    return request.user


@require_GET
def nobody_falls_through(request: HttpRequest) -> HttpResponse:
    """The latest run, check by check, with the runs before it."""
    runs = list(
        ProofRun.objects.select_related("run_by").prefetch_related("results").order_by("-pk")[:HISTORY]
    )
    latest = runs[0] if runs else None
    return render(
        request,
        "oversight/proof.html",
        {
            "summary": run_summary(latest) if latest else None,
            "findings": findings_of(latest, address=person_address(_reader(request))) if latest else [],
            "history": [run_summary(run) for run in runs],
        },
    )


@require_POST
def prove_now(request: HttpRequest) -> HttpResponse:
    """Run every check now."""
    summary = run_summary(prove(by=_reader(request)))
    if summary.violated:
        messages.warning(
            request, _("Checked just now: %(n)s checks do not hold.") % {"n": len(summary.violated)}
        )
    else:
        messages.success(request, _("Checked just now: every check holds."))
    return redirect("oversight:proof")
