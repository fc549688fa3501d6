"""Run samples one vial at a time, second entries, the close of the day, and the sheet for a day without power."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from results.forms_bench import AgainForm, CaptureForm, DayCloseForm, ScanForm
from results.forms_lab import NoteForm
from results.models import Analyser, BenchPlace, DayClose, Run, Sample, TypedReading
from results.services.bench import (
    bench_capture,
    bench_load,
    bench_park,
    day_close,
    day_sum,
    dilution_asked,
    expiring_first,
    places_settle,
    steps_for,
)
from results.services.runs_brackets import controls_next
from results.services.samples import samples_take_in
from results.services.typed import reading_type_again, typed_waiting
from results.views.lab_request import actor, refuse
from screening.models import KitModel
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError

SHEET = 100


@require_http_methods(["GET", "POST"])
def run_samples(request: HttpRequest, pk: int) -> HttpResponse:
    """The vials in their positions, each with its steps; a scan puts the next one in."""
    run = get_object_or_404(Run.objects.select_related("analyser"), pk=pk)
    form = ScanForm(request.POST or None, positions=run.analyser.positions, initial={"position": _free(run)})
    if request.method == "POST" and form.is_valid():
        facts = form.cleaned_data
        try:
            bench_load(by=actor(request), run=run, serial=facts["serial"], position=facts["position"])
        except RoundbookError as error:
            form.add_error("serial", str(error.sentence))
        else:
            return redirect("results:run-samples", pk=pk)
    return _samples_page(request, run, form)


def _free(run: Run) -> int:
    taken = set(
        BenchPlace.objects.filter(run=run, state=BenchPlace.State.LOADED, sample__state="in_run").values_list(
            "position", flat=True
        )
    )
    return next((n for n in range(1, run.analyser.positions + 1) if n not in taken), 1)


def _samples_page(request: HttpRequest, run: Run, form: ScanForm, **more: Any) -> HttpResponse:
    with acting(actor(request)) as frame:
        samples_take_in(by=actor(request))
        places_settle(run, frame=frame)
    places = BenchPlace.objects.filter(run=run, state=BenchPlace.State.LOADED).select_related(
        "sample__person", "sample__return_of", "sample__kit__lot__kit_model"
    )
    cards = [_card(place, run) for place in places.order_by("position")]
    full = len(cards) >= run.analyser.positions
    context = {
        "run": run,
        "form": None if full else form,
        "cards": cards,
        "next_controls": controls_next(run, clock.now()) if run.status == Run.Status.OPEN else None,
        "queue": Sample.objects.filter(state__in=["ready", "repeat"]).order_by("usable_until", "pk")[:12],
        "waiting": Sample.objects.filter(state__in=["ready", "repeat"]).count(),
        "today": clock.today(),
    } | more
    return render(request, "results/run_samples.html", context, status=422 if form.errors else 200)


def _card(place: BenchPlace, run: Run) -> dict[str, Any]:
    """One vial: serial, initials and birth year (no more of the person than the bench needs), its steps and forms."""
    person, kit_model = place.sample.person, place.sample.kit.lot.kit_model
    steps = steps_for(kit_model, run.analyser, run.day)
    return {
        "place": place,
        "who": f"{person.given_names[:1]}.{person.family_name[:1]}. {person.birth_date.year if person.birth_date else ''}",
        "kit_model": kit_model,
        "dilute": dilution_asked(place.sample),
        "steps": steps.listed if steps else [],
        "leaflet": steps.leaflet if steps else "",
        "form": CaptureForm(prefix=f"p{place.pk}"),
    }


@require_POST
def place_capture(request: HttpRequest, pk: int) -> HttpResponse:
    """Keep the reading of one position."""
    place = get_object_or_404(BenchPlace, pk=pk)
    form = CaptureForm(request.POST, prefix=f"p{pk}")
    if form.is_valid():
        facts = form.cleaned_data
        try:
            bench_capture(
                by=actor(request), place=place, value=facts["value"], flag=facts["flag"],
                running_number=facts["running_number"], dilution=facts["dilution"],
            )  # fmt: skip
        except RoundbookError as error:
            refuse(request, error)
        else:
            messages.success(request, _("Kept. It counts when somebody else has typed the same."))
    else:
        messages.error(request, _("Type the reading as the display shows it."))
    return redirect("results:run-samples", pk=place.run_id)


@require_POST
def place_park(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a vial out without a reading."""
    place = get_object_or_404(BenchPlace, pk=pk)
    form = NoteForm(request.POST)
    try:
        bench_park(by=actor(request), place=place, note=form.cleaned_data["note"] if form.is_valid() else "")
    except RoundbookError as error:
        refuse(request, error)
    return redirect("results:run-samples", pk=place.run_id)


@require_http_methods(["GET", "POST"])
def typed(request: HttpRequest) -> HttpResponse:
    """First entries of others that wait for their second; the first value is never shown."""
    by = actor(request)
    shown = None
    if request.method == "POST":
        entry = get_object_or_404(TypedReading, pk=request.POST.get("entry", "0"))
        form = AgainForm(request.POST)
        if form.is_valid():
            try:
                shown = reading_type_again(
                    by=by, entry=entry, value=form.cleaned_data["value"], flag=form.cleaned_data["flag"]
                )
            except RoundbookError as error:
                refuse(request, error)
            else:
                if shown.state == TypedReading.State.AGREED:
                    messages.success(request, _("Both entries agree: the reading is kept."))
                else:
                    messages.warning(request, _("The entries differ. Look at the display together, then type both anew."))  # fmt: skip
        return redirect("results:typed")
    waiting = typed_waiting(by=by)
    differing = TypedReading.objects.filter(state=TypedReading.State.DIFFERS, sample__state__in=["ready", "repeat", "in_run"])  # fmt: skip
    context = {
        "entry": waiting[0] if waiting else None,
        "waiting": len(waiting),
        "own": TypedReading.objects.filter(state=TypedReading.State.FIRST, typed_by=by).count(),
        "differing": differing.select_related("sample", "run__analyser", "typed_by", "again_by")[:50],
        "form": AgainForm(),
        "now": clock.now(),
    }
    return render(request, "results/typed.html", context)


@require_http_methods(["GET", "POST"])
def day_close_page(request: HttpRequest, pk: int) -> HttpResponse:
    """Close the day on one analyser."""
    analyser = get_object_or_404(Analyser.objects.select_related("site"), pk=pk)
    form = DayCloseForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        facts = form.cleaned_data
        try:
            day_close(
                by=actor(request), analyser=analyser, memory_count=facts["memory_count"], note=facts["note"]
            )
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            messages.success(request, _("The day is closed on %(analyser)s.") % {"analyser": analyser})
            return redirect("results:open-day")
    today = clock.today()
    context = {
        "analyser": analyser,
        "form": form,
        "sum": day_sum(analyser, today),
        "runs": Run.objects.filter(analyser=analyser, day=today).order_by("nth"),
        "closed": DayClose.objects.filter(analyser=analyser, day=today).select_related("closed_by").first(),
        "today": today,
    }
    return render(request, "results/day_close.html", context, status=422 if form.errors else 200)


@require_GET
def paper(request: HttpRequest) -> HttpResponse:
    """A sheet to write readings on by hand when there is no power, in the order of the queue."""
    samples_take_in(by=actor(request))
    first = expiring_first(clock.today())
    rest = (
        Sample.objects.filter(state__in=["ready", "repeat"])
        .exclude(pk__in=[s.pk for s in first])
        .order_by("usable_until", "pk")[:SHEET]
    )
    context = {
        "rows": [*first, *rest],
        "first": len(first),
        "now": clock.now(),
        "models": KitModel.objects.order_by("name"),
    }
    return render(request, "results/paper.html", context)
