"""Agreeing to a change that somebody elsewhere asked for (R14)."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from results.models import AskedSecond, Sample
from results.services.asked_second import questions_open, second_ask_take_back, second_decide
from results.services.runs import last_controls
from results.services.runs_controls import run_sentence
from results.views.lab_request import actor, refuse
from staff import clock
from staff.errors import RoundbookError


@require_GET
def asked(request: HttpRequest) -> HttpResponse:
    """What waits for a second person, and what was decided lately."""
    by = actor(request)
    decided = AskedSecond.objects.exclude(verdict="").select_related("result__sample", "run__analyser", "asked_by", "decided_by")  # fmt: skip
    context = {
        "rows": [(one, one.asked_by_id != by.pk, _of_run(one)) for one in questions_open()],
        "decided": decided.order_by("-decided_at")[:30],
        "today": clock.today(),
        "now": clock.now(),
    }
    return render(request, "results/asked.html", context)


def _of_run(one: AskedSecond) -> dict[str, Any] | None:
    """What the second person needs to judge a held run: why it is held, its controls, how many of its samples wait."""
    if one.run is None:
        return None
    return {
        "why": run_sentence(one.run),
        "controls": last_controls(one.run),
        "held": Sample.objects.filter(pk__in=one.run.readings.values("sample"), state="held").count(),
    }


@require_POST
def asked_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Agree, and it is done; do not agree, with a note; or take one's own question back."""
    get_object_or_404(AskedSecond, pk=pk)
    by, note = actor(request), request.POST.get("note", "")
    try:
        if "take_back" in request.POST:
            second_ask_take_back(by=by, asked_id=pk)
            messages.info(request, _("Taken back. Nothing was changed."))
        elif second_decide(by=by, asked_id=pk, agree="agree" in request.POST, note=note).verdict == "agreed":
            messages.success(request, _("Agreed, and done."))
        else:
            messages.info(request, _("Not agreed. Nothing was changed, and your words are kept."))
    except RoundbookError as error:
        refuse(request, error)
    return redirect("results:asked")
