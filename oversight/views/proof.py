"""The checks of the safety net: what was checked, when, and what does not hold."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from oversight.models import ProofRun
from oversight.proof_page import findings_of, person_address
from oversight.services.changed import prove_changed
from oversight.services.daily import alarm_send
from oversight.services.proofs import proof_latest, prove, run_summary
from oversight.views.net import frame_of, reader
from staff.models import User

HISTORY = 14
LONG_SECONDS = 20
"""A full proof that took longer is not run while somebody waits for the page: what changed is."""


@require_GET
def checks(request: HttpRequest) -> HttpResponse:
    """The latest run, check by check, with the runs before it."""
    runs = list(
        ProofRun.objects.exclude(kind=ProofRun.Kind.RESTORED).select_related("run_by").prefetch_related("results")
        .order_by("-pk")[:HISTORY]
    )  # fmt: skip
    latest = runs[0] if runs else None
    told = {
        "findings": findings_of(latest, address=person_address(reader(request))) if latest else [],
        "history": [run_summary(run) for run in runs],
    }
    return render(request, "oversight/proof.html", frame_of(request, "checks") | told)


@require_POST
def prove_now(request: HttpRequest) -> HttpResponse:
    """Run every check now: over everything, or over what changed where everything takes long; alarms leave at once."""
    full = proof_latest(full=True)
    run = prove_changed if full is not None and full.seconds > LONG_SECONDS else prove
    summary = run_summary(run(by=reader(request)))
    alarm_send(by=User.objects.system())
    if summary.violated:
        messages.warning(
            request, _("Checked just now: %(n)s checks do not hold.") % {"n": len(summary.violated)}
        )
    else:
        messages.success(request, _("Checked just now: every check holds."))
    return redirect("oversight:checks" if summary.violated else "oversight:proof")
