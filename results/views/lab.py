"""Open the day, and the page of a run: its controls, its queue, its files and its end."""

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from results.forms_lab import ClosingForm, ControlsForm, FileForm, NoteForm, OpeningForm, ResolveForm
from results.models import Analyser, CheckLot, ControlReading, LabLot, Run, Sample
from results.services.asked_second import Question
from results.services.bench import expiring_first
from results.services.control_plans import plan_on
from results.services.lots import run_open_scanned
from results.services.messages import messages_retry
from results.services.runs import controls_for, last_controls, run_close, run_control, run_resolve
from results.services.runs_brackets import controls_next, refused_before
from results.services.runs_checks import checks_for
from results.services.runs_controls import rule_words, run_sentence
from results.services.samples import sample_spoil, samples_take_in
from results.states import SAMPLE
from results.views.lab_request import actor, asked_elsewhere, refuse, second_signs
from staff import clock
from staff.errors import RoundbookError

TONES = {"open": "note", "in_control": "ok", "resolved": "ok", "held": "stop", "refused": "stop"}
QUEUE = 200
CHART = 30
EDGE = 5


@require_http_methods(["GET", "POST"])
def open_day(request: HttpRequest) -> HttpResponse:
    """The analysers and how each stands; opens a run on the chosen one."""
    samples_take_in(by=actor(request))
    analysers = Analyser.objects.select_related("site").order_by("name")
    chosen = analysers.filter(code=request.GET.get("analyser", "")).first()
    form = _opening_form(request, chosen) if chosen else None
    if request.method == "POST" and chosen and form and form.is_valid():
        try:
            unit = form.cleaned_data["unit"]
            run = run_open_scanned(
                by=actor(request), analyser=chosen, unit=unit, readings=form.readings(), checks=form.checks(),
                codes=form.codes_read(), device_limit=form.cleaned_data["device_limit"],
            )  # fmt: skip
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            if run.status == Run.Status.OPEN:
                messages_retry(by=actor(request), analyser=run.analyser)
                messages.success(request, _("The controls are in control: the run may start."))
            return redirect("results:run", pk=run.pk)
    context = {
        "tiles": [_tile(analyser) for analyser in analysers],
        "chosen": chosen,
        "form": form,
        "waiting": Sample.objects.filter(state__in=["ready", "repeat"]).count(),
        "expiring": expiring_first(clock.today()),
        "chart": _chart(chosen) if chosen else None,
    }
    status = 422 if form is not None and form.errors else 200
    return render(request, "results/open_day.html", context, status=status)


def _opening_form(request: HttpRequest, analyser: Analyser) -> OpeningForm:
    known = LabLot.objects.filter(Q(analyser=analyser) | Q(analyser__isnull=True), confirmed_by__isnull=False)
    return OpeningForm(
        request.POST or None, lots=controls_for(analyser), checks=_checks(analyser), lab_lots=list(known[:1])
    )  # fmt: skip


def _checks(analyser: Analyser) -> Sequence[CheckLot]:
    """The pass/fail checks that the scheme of today asks for."""
    return checks_for(analyser)[: plan_on(analyser, clock.today()).checks]


def _tile(analyser: Analyser) -> dict[str, Any]:
    last = analyser.runs.order_by("-opened_at", "-pk").first()
    return {
        "analyser": analyser,
        "last": last,
        "open": last if last and last.status == Run.Status.OPEN else None,
        "tone": TONES[last.status] if last else "quiet",
        "sentence": run_sentence(last) if last else "",
        "held": analyser.runs.filter(status=Run.Status.HELD, resolution="").count(),
    }


def _chart(analyser: Analyser) -> dict[str, Any] | None:
    """The last control readings as distances from target, for the drawing and the table behind it."""
    rows = list(
        ControlReading.objects.filter(run__analyser=analyser)
        .select_related("control", "run")
        .order_by("-pk")[: 2 * CHART]
    )[::-1]
    if not rows:
        return None
    slots = list(dict.fromkeys((row.run_id, row.position) for row in rows))
    levels = sorted({row.control.level for row in rows})
    values = {(row.run_id, row.position, row.control.level): float(row.z) for row in rows}
    names = {
        (
            row.run_id,
            row.position,
        ): f"{date_format(row.run.day, 'j M')}, {row.run.nth} {row.get_position_display()}"
        for row in rows
    }
    out = sum(not row.in_control for row in rows)
    return {
        "data": {
            "kind": "line",
            "unit": "SD",
            "categories": [names[slot] for slot in slots],
            "series": [
                {
                    "name": _("level %(n)s") % {"n": level},
                    "values": [drawn(values.get((*slot, level))) for slot in slots],
                }
                for level in levels
            ],
            "lines": [{"at": at, "label": f"{at:+d} SD"} for at in (-3, -2, 2, 3)],
            "min": -EDGE,
            "max": EDGE,
        },
        "columns": [_("Run and position"), *[_("level %(n)s, SD") % {"n": level} for level in levels]],
        "rows": [
            [names[slot], *[f"{values[(*slot, lv)]:+.2f}" if (*slot, lv) in values else "–" for lv in levels]]
            for slot in slots
        ],
        "summary": _(
            "%(n)s control readings, %(out)s of them out. What lies beyond %(edge)s SD is drawn at the edge."
        )
        % {"n": len(rows), "out": out, "edge": EDGE},
    }


def drawn(z: float | None) -> float | None:
    """A distance from target, drawn no further out than the edge."""
    return None if z is None else max(-float(EDGE), min(float(EDGE), z))


@require_GET
def run_page(request: HttpRequest, pk: int) -> HttpResponse:
    """One run: what its controls say, what is to be measured, and how it is closed or settled."""
    return _run_page(request, _run(pk))


def _run(pk: int) -> Run:
    return get_object_or_404(Run.objects.select_related("analyser__site", "opened_by", "closed_by"), pk=pk)


def _run_page(request: HttpRequest, run: Run, **forms: Any) -> HttpResponse:
    samples_take_in(by=actor(request))
    lots = controls_for(run.analyser, run.unit)
    held = Sample.objects.filter(state="held", readings__run=run).distinct().order_by("usable_until")
    context = {
        "run": run,
        "tone": TONES[run.status],
        "sentence": run_sentence(run),
        "controls": [(reading, rule_words(reading.rule)) for reading in last_controls(run)],
        "attempts": refused_before(run),
        "next_controls": controls_next(run, clock.now()) if run.status == Run.Status.OPEN else None,
        "files": run.files.filter(kind="file").defer("content").order_by("-pk"),
        "lots": run.lots.select_related("lot"),
        "checks": run.check_readings.select_related("check_lot"),
        "message_count": run.files.filter(kind="message").count(),
        "counts": _counts(run),
        "queue": _queue() if run.status == Run.Status.OPEN else [],
        "waiting": Sample.objects.filter(state__in=["ready", "repeat"]).count(),
        "today": clock.today(),
        "held": [
            (sample, sample.readings.filter(run=run).order_by("-pk").first()) for sample in held[:QUEUE]
        ],
        "settled": run.status == Run.Status.HELD and run.resolution != "",
        "file_form": forms.get("file") or FileForm(),
        "control_form": forms.get("control")
        or ControlsForm(lots=lots, checks=_checks(run.analyser), needed=False, prefix="middle"),
        "close_form": forms.get("close")
        or ClosingForm(lots=lots, checks=_checks(run.analyser), prefix="end"),
        "resolve_form": forms.get("resolve") or ResolveForm(by=actor(request)),
    }
    return render(request, "results/run.html", context, status=422 if forms else 200)


def _counts(run: Run) -> list[tuple[str, int]]:
    rows = (
        Sample.objects.filter(pk__in=run.readings.values("sample_id"))
        .values_list("state")
        .annotate(n=Count("pk"))
        .order_by("state")
    )
    return [(SAMPLE.label(state), n) for state, n in rows]


def _queue() -> list[dict[str, Any]]:
    today = clock.today()
    waiting = Sample.objects.filter(state__in=["ready", "repeat"]).select_related("return_of")
    rows = waiting.order_by("usable_until", "pk")[:QUEUE]
    return [
        {
            "sample": sample,
            "latest": sample.return_of.collected_latest,
            "age": clock.days_between(sample.collected_earliest, today),
            "left": clock.days_between(today, sample.usable_until),
        }
        for sample in rows
    ]


@require_POST
def run_controls(request: HttpRequest, pk: int) -> HttpResponse:
    """Controls between samples."""
    run = _run(pk)
    form = ControlsForm(
        request.POST, lots=controls_for(run.analyser, run.unit), checks=_checks(run.analyser), needed=False, prefix="middle"
    )  # fmt: skip
    if not form.is_valid():
        return _run_page(request, run, control=form)
    try:
        run = run_control(by=actor(request), run=run, readings=form.readings(), checks=form.checks())
    except RoundbookError as error:
        refuse(request, error)
    else:
        if run.status == Run.Status.OPEN:
            messages.success(request, _("In control: go on."))
    return redirect("results:run", pk=pk)


@require_POST
def run_end(request: HttpRequest, pk: int) -> HttpResponse:
    """The closing controls."""
    run = _run(pk)
    form = ClosingForm(
        request.POST, lots=controls_for(run.analyser, run.unit), checks=_checks(run.analyser), prefix="end"
    )
    if not form.is_valid():
        return _run_page(request, run, close=form)
    try:
        run = run_close(by=actor(request), run=run, readings=form.readings(), checks=form.checks())
    except RoundbookError as error:
        refuse(request, error)
    else:
        if run.status == Run.Status.IN_CONTROL:
            messages.success(request, _("Closed in control: its results are ready to release."))
    return redirect("results:run", pk=pk)


@require_POST
def run_settle(request: HttpRequest, pk: int) -> HttpResponse:
    """Settle a held run with a second person."""
    run = _run(pk)
    form = ResolveForm(request.POST, by=actor(request))
    if not form.is_valid():
        return _run_page(request, run, resolve=form)
    facts = form.cleaned_data
    if facts["elsewhere"]:
        question = Question("settle", facts["resolution"], run=run, chosen=facts["what"])
        if not asked_elsewhere(request, form, question):
            return _run_page(request, run, resolve=form)
        return redirect("results:run", pk=pk)
    if not second_signs(request, form):
        return _run_page(request, run, resolve=form)
    try:
        run_resolve(
            by=actor(request), run=run, resolution=facts["resolution"], second=facts["second"],
            retest=facts["what"] == "retest",
        )  # fmt: skip
    except RoundbookError as error:
        refuse(request, error)
    else:
        messages.success(request, _("The run is settled."))
    return redirect("results:run", pk=pk)


@require_POST
def sample_off(request: HttpRequest, pk: int, sample_pk: int) -> HttpResponse:
    """Take a vial off the bench that cannot be measured, in somebody's words."""
    sample = get_object_or_404(Sample, pk=sample_pk)
    form = NoteForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Say what is wrong with the vial."))
        return redirect("results:run", pk=pk)
    try:
        sample_spoil(by=actor(request), sample=sample, words=form.cleaned_data["note"])
    except RoundbookError as error:
        refuse(request, error)
    else:
        messages.success(request, _("%(serial)s is off the bench.") % {"serial": sample.serial})
    return redirect("results:run", pk=pk)
