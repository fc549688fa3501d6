"""The watch over people's readings, comparisons of lots and analysers, and external assessment."""

from collections.abc import Sequence
from datetime import timedelta
from math import exp
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from results.forms_bench import SlipForm
from results.forms_watch import ApproveForm, AssessmentForm, ComparisonForm
from results.models import Analyser, AssessmentRound, ComparisonSet, Run, WatchAlarm
from results.patient_watch import ZeroInflated, lower_than, median_detectable, moving_share, share_watch
from results.services.slips import slip_check, slip_rows, slip_words
from results.services.watch import (
    Seen,
    assessment_keep,
    assessment_told,
    carry_over_in,
    comparison_approve,
    comparison_enter,
    comparison_told,
    readings_lately,
    stability,
    unit_alarms,
)
from results.views.lab_request import actor, refuse
from staff import clock
from staff.errors import RoundbookError

WINDOW, MEDIAN_WINDOW, POINTS = 300, 50, 60
CUTOFF = 20.0


@require_GET
def watch(request: HttpRequest) -> HttpResponse:
    """What the newest readings of an analyser look like beside what the population's should."""
    analysers = list(Analyser.objects.order_by("name"))
    chosen = next((a for a in analysers if a.code == request.GET.get("analyser")), analysers[0] if analysers else None)  # fmt: skip
    seen = readings_lately(chosen.pk) if chosen else []
    runs = Run.objects.filter(analyser=chosen).exclude(status=Run.Status.REFUSED).order_by("-pk")[:5]
    context = {
        "analysers": analysers,
        "chosen": chosen,
        "told": _told(seen) if seen else None,
        "chart": _chart(seen) if len(seen) >= WINDOW else None,
        "window": WINDOW,
        "alarms": [(WatchAlarm.Kind(alarm.kind).label, alarm) for alarm in unit_alarms(seen)],
        "held": WatchAlarm.objects.select_related("run__analyser").order_by("-pk")[:20],
        "suspects": [(run, one) for run in runs for one in carry_over_in(run)],
        "stability": _stability(),
        "comparisons": [(row, comparison_told(row)) for row in ComparisonSet.objects.prefetch_related("pairs")[:20]],
        "assessments": [(row, assessment_told(row)) for row in AssessmentRound.objects.select_related("analyser")[:40]],
        "today": clock.today(),
    }  # fmt: skip
    return render(request, "results/watch.html", context)


def _stability() -> list[tuple[int, int, float, bool]]:
    """By days on the way: readings, geometric mean in µg/g, and whether it is lower than in the first three days."""
    groups = stability(clock.today() - timedelta(days=180))
    fresh = next((groups[day] for day in (1, 2, 3) if day in groups), None)
    return [
        (days, one.n, exp(one.mean), fresh is not None and lower_than(one, fresh))
        for days, one in groups.items()
    ]


def _told(seen: Sequence[Seen]) -> dict[str, Any]:
    n, model = len(seen), ZeroInflated()
    high = [one.value >= CUTOFF for one in seen]
    detectable = [one.detectable for one in seen]
    medians = [m for m in median_detectable([o.value if o.detectable else None for o in seen], MEDIAN_WINDOW) if m]  # fmt: skip
    expected_high, expected_seen = 1 - model.share_below(CUTOFF), 1 - model.share_below(4)
    return {
        "n": n,
        "high": 100 * sum(high) / n,
        "detectable": 100 * sum(detectable) / n,
        "expected_high": 100 * expected_high,
        "expected_detectable": 100 * expected_seen,
        "median": medians[-1] if medians else None,
        "rising": share_watch(high, expected_high, min(0.9, 2 * expected_high)).stands,
        "falling": share_watch(high, expected_high, expected_high / 2).stands,
    }


def _chart(seen: Sequence[Seen]) -> dict[str, Any]:
    """Moving shares at evenly spread readings."""
    high = moving_share([one.value >= CUTOFF for one in seen], WINDOW)
    detectable = moving_share([one.detectable for one in seen], WINDOW)
    step = max(1, (len(seen) - WINDOW) // POINTS + 1)
    picks = list(range(WINDOW - 1, len(seen), step))
    names = [str(n + 1) for n in picks]

    def percent(values: Sequence[float | None]) -> list[float]:
        return [round(100 * (values[n] or 0), 1) for n in picks]

    series = [(_("detectable"), percent(detectable)), (_("20 µg/g or more"), percent(high))]
    return {
        "data": {
            "kind": "line", "unit": "%", "categories": names, "min": 0,
            "series": [{"name": name, "values": values} for name, values in series],
        },
        "columns": [_("Up to reading"), *(name for name, _values in series)],
        "rows": [[name, *(str(values[n]) for _name, values in series)] for n, name in enumerate(names)],
        "summary": _("Each point is the share among the %(window)s readings up to there, of %(n)s in all.")
        % {"window": WINDOW, "n": len(seen)},
    }  # fmt: skip


@require_http_methods(["GET", "POST"])
def comparison_new(request: HttpRequest) -> HttpResponse:
    """Enter a comparison with its pairs."""
    form = ComparisonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = comparison_enter(
                by=actor(request), comparison=form.instance, text=form.cleaned_data["text"]
            )
        except RoundbookError as error:
            form.add_error("text", str(error.sentence))
        else:
            return redirect("results:comparison", pk=made.pk)
    context = {"form": form, "title": _("Compare lots or analysers")}
    return render(request, "results/watch_enter.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def comparison(request: HttpRequest, pk: int) -> HttpResponse:
    """One comparison: what it says, and its approval by a second person."""
    row = get_object_or_404(ComparisonSet.objects.select_related("entered_by", "approved_by"), pk=pk)
    form = ApproveForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            comparison_approve(by=actor(request), comparison=row, note=form.cleaned_data["note"])
        except RoundbookError as error:
            refuse(request, error)
        else:
            messages.success(request, _("Approved."))
        return redirect("results:comparison", pk=pk)
    context = {"row": row, "told": comparison_told(row), "pairs": row.pairs.all(), "form": form}
    return render(request, "results/comparison.html", context)


@require_http_methods(["GET", "POST"])
def assessment(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    """One sample of an external assessment: due, measured, scored, acted upon."""
    row = get_object_or_404(AssessmentRound, pk=pk) if pk else None
    form = AssessmentForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        try:
            assessment_keep(by=actor(request), row=form.instance)
        except RoundbookError as error:
            form.add_error("action", str(error.sentence))
        else:
            messages.success(request, _("Kept."))
            return redirect("results:watch")
    context = {"form": form, "title": _("External assessment")}
    return render(request, "results/watch_enter.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def slip(request: HttpRequest, pk: int) -> HttpResponse:
    """Check samples of one run against the running numbers: whether its results stand at their own vials."""
    run = get_object_or_404(Run.objects.select_related("analyser"), pk=pk)
    form = SlipForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            slip_check(by=actor(request), run=run, text=form.cleaned_data["text"])
        except RoundbookError as error:
            form.add_error("text", str(error.sentence))
        else:
            return redirect("results:slip", pk=pk)
    checks = list(run.slip_checks.select_related("checked_by"))
    context = {
        "run": run,
        "form": form,
        "newest": checks[0] if checks else None,
        "words": slip_words(checks[0]) if checks else "",
        "rows": slip_rows(run, checks[0].expected) if checks else [],
        "earlier": [(one, slip_words(one)) for one in checks[1:]],
    }
    return render(request, "results/slip.html", context, status=422 if form.errors else 200)
