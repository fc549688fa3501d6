"""Load readings: the upload, the verdict on every line, and the lines without a home."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from results.forms_lab import FileForm, FileForRunForm, NoteForm
from results.models import InboxLine, InboxMessage, ReadingsFile, Run
from results.routes_lab import LARGEST_READINGS
from results.services.readings import (
    line_settle,
    readings_gap_explain,
    readings_known,
    readings_load,
    refused_csv,
    verdict_counts,
)
from results.services.readings_judging import ALREADY_STORED, TAKEN
from results.services.readings_settle import lines_left, lines_settle
from results.services.readings_words import verdict_words
from results.views.lab_request import actor, refuse
from staff import clock
from staff.errors import RoundbookError

LINES = 200


@require_http_methods(["GET", "POST"])
def readings(request: HttpRequest) -> HttpResponse:
    """Load a file into an open run; the files loaded lately; the lines that wait for somebody."""
    form = FileForRunForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = _load(request, form.cleaned_data["run"], form)
        if file is not None:
            return redirect("results:readings-file", pk=file.pk)
    unsettled = InboxLine.objects.filter(settled_note="").exclude(verdict=TAKEN).order_by("at", "line")
    context = {
        "form": form,
        "open_runs": Run.objects.filter(status=Run.Status.OPEN).count(),
        "messages_waiting": InboxMessage.objects.filter(settled_note="").exclude(verdict="matched").count(),
        "files": ReadingsFile.objects.filter(kind=ReadingsFile.Kind.FILE)
        .defer("content")
        .select_related("run__analyser", "loaded_by")
        .order_by("-pk")[:8],
        "unsettled": Paginator(unsettled, LINES).get_page(request.GET.get("page")),
        "now": clock.now(),
    }
    return render(request, "results/readings.html", context, status=422 if form.errors else 200)


def _load(request: HttpRequest, run: Run, form: FileForm) -> ReadingsFile | None:
    """Load the uploaded file; a refusal is written on the form."""
    upload = form.cleaned_data["file"]
    if upload.size > LARGEST_READINGS:
        form.add_error("file", _("The file is larger than 20 MB. Export one day at a time."))
        return None
    content = upload.read()
    if readings_known(content):
        messages.warning(request, _("This very file was loaded before; nothing was taken twice."))
    try:
        return readings_load(by=actor(request), run=run, name=upload.name, content=content)
    except RoundbookError as error:
        form.add_error("file", str(error.sentence))
        return None


@require_POST
def run_load(request: HttpRequest, pk: int) -> HttpResponse:
    """Load a file from the page of its run."""
    run = get_object_or_404(Run, pk=pk)
    form = FileForm(request.POST, request.FILES)
    file = _load(request, run, form) if form.is_valid() else None
    if file is not None:
        return redirect("results:readings-file", pk=file.pk)
    for problems in form.errors.values():
        for problem in problems:
            messages.error(request, str(problem))
    return redirect("results:run", pk=pk)


@require_GET
def readings_file(request: HttpRequest, pk: int) -> HttpResponse:
    """Every line of a file with its verdict; `verdict` in the address shows only those."""
    file = _file(pk)
    lines = InboxLine.objects.filter(file_id=file.pk)
    chosen = request.GET.get("verdict", "")
    shown = lines.filter(verdict=chosen) if chosen else lines
    counts = verdict_counts(file)
    context = {
        "file": file,
        "counts": [
            (verdict, verdict_words(verdict), n)
            for verdict, n in sorted(counts.items(), key=lambda item: (item[0] != TAKEN, -item[1], item[0]))
        ],
        "chosen": chosen,
        "page": Paginator(shown.order_by("line"), LINES).get_page(request.GET.get("page")),
        "refused": sum(n for verdict, n in counts.items() if verdict not in (TAKEN, ALREADY_STORED)),
        "held": lines.filter(verdict="sequence_broken", settled_note="").count(),
        "left": lines_left(file, chosen),
        "gap_form": NoteForm(),
    }
    return render(request, "results/readings_file.html", context)


def _file(pk: int) -> ReadingsFile:
    return get_object_or_404(ReadingsFile.objects.select_related("run__analyser", "loaded_by"), pk=pk)


@require_GET
def readings_refused(request: HttpRequest, pk: int) -> HttpResponse:
    """The lines that were not taken, as a file."""
    file = _file(pk)
    response = HttpResponse(refused_csv(file), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="refused-{file.pk}.csv"'
    return response


@require_POST
def readings_gap(request: HttpRequest, pk: int) -> HttpResponse:
    """Go on after a break in the running numbers that somebody explained."""
    form = NoteForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Write what the comparison of list and rack showed."))
        return redirect("results:readings-file", pk=pk)
    try:
        taken = readings_gap_explain(by=actor(request), file=_file(pk), note=form.cleaned_data["note"])
    except RoundbookError as error:
        refuse(request, error)
    else:
        messages.success(request, _("%(n)s more readings were taken.") % {"n": taken})
    return redirect("results:readings-file", pk=pk)


@require_POST
def line_done(request: HttpRequest, pk: int) -> HttpResponse:
    """Take one line off the list, with a note."""
    line = get_object_or_404(InboxLine, pk=pk)
    form = NoteForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Write what was found, so that the line may leave this list."))
        return redirect("results:readings")
    try:
        line_settle(by=actor(request), line=line, note=form.cleaned_data["note"])
    except RoundbookError as error:
        refuse(request, error)
    return redirect("results:readings")


@require_POST
def lines_done(request: HttpRequest, pk: int) -> HttpResponse:
    """Take all refused lines of a file, or those of one verdict, off the list with one note."""
    form = NoteForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Write what was found, so that the lines may leave this list."))
        return redirect("results:readings-file", pk=pk)
    verdict = request.POST.get("verdict", "")
    try:
        n = lines_settle(by=actor(request), file=_file(pk), note=form.cleaned_data["note"], verdict=verdict)
    except RoundbookError as error:
        refuse(request, error)
    else:
        words = ngettext("%(n)s line was settled.", "%(n)s lines were settled.", n)
        messages.success(request, words % {"n": n})
    return redirect("results:readings-file", pk=pk)
