"""Controls and schemes, lots and stock: entered by one person, confirmed by another."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.forms import ModelForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from results.forms_bench import (
    AnalyserForm,
    CheckLotForm,
    ControlLotForm,
    KitModelForm,
    LabLotForm,
    PlanForm,
    StepsForm,
    StockForm,
)
from results.forms_lab import NoteForm
from results.models import (
    AnalyserVersion,
    BenchSteps,
    CheckLot,
    ControlLot,
    ControlPlan,
    KitModelProposal,
    LabLot,
)
from results.services.bench import steps_enter
from results.services.control_plans import control_plan_confirm, control_plan_enter
from results.services.lots import (
    lot_enter,
    lot_set_apart,
    second_person_confirms,
    stock_count,
    stock_lines,
)
from results.services.versions import version_confirm, version_enter
from results.views.lab_request import actor, refuse
from staff import clock
from staff.errors import RoundbookError

KINDS: dict[str, tuple[type[ModelForm], type[Any], Any]] = {
    "level": (ControlLotForm, ControlLot, gettext_lazy("a lot of a measured control")),
    "check": (CheckLotForm, CheckLot, gettext_lazy("a lot of a pass/fail check")),
    "scheme": (PlanForm, ControlPlan, gettext_lazy("a control scheme")),
    "steps": (StepsForm, BenchSteps, gettext_lazy("the steps at the bench")),
    "lot": (LabLotForm, LabLot, gettext_lazy("a lot of the laboratory")),
    "analyser": (AnalyserForm, AnalyserVersion, gettext_lazy("an analyser")),
    "kit-model": (KitModelForm, KitModelProposal, gettext_lazy("a kit model")),
}


@require_GET
def controls(request: HttpRequest) -> HttpResponse:
    """Control lots, checks, schemes and bench steps, the ones that wait for a second person first."""
    today = clock.today()
    tables = [
        ("level", ControlLot.objects.select_related("analyser", "entered_by", "confirmed_by").order_by("confirmed_by", "analyser", "level", "-opened_on")),
        ("check", CheckLot.objects.select_related("analyser", "entered_by", "confirmed_by")),
        ("scheme", ControlPlan.objects.select_related("analyser", "entered_by", "confirmed_by")),
        ("analyser", AnalyserVersion.objects.select_related("site", "entered_by", "confirmed_by")),
        ("kit-model", KitModelProposal.objects.select_related("kit_model", "entered_by", "confirmed_by")),
        ("steps", BenchSteps.objects.select_related("kit_model", "analyser", "entered_by", "confirmed_by")),
    ]  # fmt: skip
    context = {
        "tables": [(kind, KINDS[kind][2], list(rows[:60])) for kind, rows in tables],
        "today": today,
        "me": actor(request),
    }
    return render(request, "results/controls.html", context)


@require_http_methods(["GET", "POST"])
def enter(request: HttpRequest, kind: str) -> HttpResponse:
    """Enter one row of reference data; somebody else confirms it."""
    if kind not in KINDS:
        return redirect("results:controls")
    form_class, _model, words = KINDS[kind]
    form = form_class(request.POST or None)
    if request.method == "POST" and form.is_valid():
        row = form.instance
        try:
            _keep(kind)(by=actor(request), row=row)
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            messages.success(request, _("Entered. It counts when a second person has confirmed it."))
            return redirect("results:lots" if kind == "lot" else "results:controls")
    context = {"form": form, "words": words, "kind": kind}
    return render(request, "results/enter.html", context, status=422 if form.errors else 200)


def _keep(kind: str) -> Callable[..., object]:
    if kind == "scheme":
        return lambda by, row: control_plan_enter(by=by, plan=row)
    if kind == "steps":
        return lambda by, row: steps_enter(by=by, steps=row)
    if kind in ("analyser", "kit-model"):
        return version_enter
    return lot_enter


@require_POST
def confirm(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Confirm what somebody else entered."""
    if kind not in KINDS:
        return redirect("results:controls")
    row = get_object_or_404(KINDS[kind][1], pk=pk)
    try:
        if kind == "scheme":
            control_plan_confirm(by=actor(request), plan=row)
        elif kind in ("analyser", "kit-model"):
            version_confirm(by=actor(request), row=row)
        else:
            second_person_confirms(by=actor(request), row=row)
    except RoundbookError as error:
        refuse(request, error)
    else:
        messages.success(request, _("Confirmed: it counts from now on."))
    return redirect("results:lots" if kind == "lot" else "results:controls")


@require_GET
def lots(request: HttpRequest) -> HttpResponse:
    """Every lot with its day, what is left and how long it lasts."""
    today = clock.today()
    lines = sorted(stock_lines(today), key=lambda line: (line.confirmed, line.expires_on))
    rows = [
        {
            "line": line,
            "lab": line.row if isinstance(line.row, LabLot) else None,
            "left_days": clock.days_between(today, line.expires_on),
        }
        for line in lines
    ]
    short = sum(line.short for line in lines)
    return render(
        request, "results/lots.html", {"rows": rows, "short": short, "today": today, "me": actor(request)}
    )


@require_http_methods(["GET", "POST"])
def lot(request: HttpRequest, pk: int) -> HttpResponse:
    """One lot of the laboratory: its counts, its runs, counting it and setting it apart."""
    row = get_object_or_404(LabLot.objects.select_related("analyser", "entered_by", "confirmed_by"), pk=pk)
    apart = request.POST.get("what") == "apart"
    form = StockForm(request.POST if request.method == "POST" and not apart else None)
    note = NoteForm(request.POST if apart else None)
    if request.method == "POST":
        try:
            if apart and note.is_valid():
                lot_set_apart(by=actor(request), lot=row, note=note.cleaned_data["note"])
                return redirect("results:lot", pk=pk)
            if not apart and form.is_valid():
                stock_count(by=actor(request), lot=row, packs_left=form.cleaned_data["packs_left"])
                return redirect("results:lot", pk=pk)
        except RoundbookError as error:
            refuse(request, error)
    context = {
        "row": row,
        "form": form,
        "note": note,
        "counts": row.counts.select_related("counted_by")[:20],
        "runs": row.runs.select_related("run__analyser").order_by("-pk")[:40],
    }
    return render(request, "results/lot.html", context, status=422 if form.errors or note.errors else 200)
