"""The page "How are we doing?"."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from oversight.dashboard import dashboard
from oversight.forms import PeriodForm
from oversight.services.proofs import proof_latest, run_summary
from staff import clock


@require_GET
def how_are_we_doing(request: HttpRequest) -> HttpResponse:
    """Sentences, charts and tables of a period; aggregates only."""
    form = PeriodForm(request.GET, today=clock.today())
    since, until, by = form.chosen()
    page = dashboard(since=since, until=until, by=by)
    latest = proof_latest()
    return render(
        request,
        "oversight/dashboard.html",
        {
            "form": form,
            "page": page,
            "problems": form.problems(),
            "proof": run_summary(latest) if latest else None,
        },
    )
