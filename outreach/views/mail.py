"""Today's mail: the lanes from a held letter to the hand-over, and one page for each print run."""

import csv
from typing import cast

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from outreach import lanes
from outreach.forms import DecisionForm, PrintForm, TokenForm, first_error
from outreach.models import Letter, PrintDocument, PrintedLetter, PrintRun
from outreach.routes import NAMED
from outreach.services.held import letter_cancel, letter_release
from outreach.services.print_runs import (
    LETTERS_A_DOCUMENT,
    print_run_hand_over,
    print_run_make,
    print_run_pull,
)
from outreach.services.rendering import ATTEMPTS, print_run_try_again
from screening.access import people_listed
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models import Purpose, User


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


def _names_shown(request: HttpRequest, person_ids: list[int], *, place: str) -> bool:
    """Whether the page may name people; if so everybody named is journalled."""
    named = user_holds(actor(request), NAMED.roles)
    if named:
        people_listed(by=actor(request), person_ids=person_ids, place=place)
    return named


@require_GET
def mail(request: HttpRequest) -> HttpResponse:
    """Every lane with its counts, ages and one obvious action."""
    today = clock.today()
    with transaction.atomic():
        held, held_total = lanes.held_rows(today)
        named = _names_shown(request, [row.letter.person_id for row in held], place="outreach:mail")
    runs = [lanes.run_row(run, ATTEMPTS) for run in lanes.open_runs()]
    context = {
        "held": held,
        "named": named,
        "held_total": held_total,
        "waiting": lanes.waiting_rows(),
        "ready": lanes.ready_rows(today),
        "being_made": [row for row in runs if row.run.status == PrintRun.Status.COLLECTING],
        "sealing": [row for row in runs if row.run.status == PrintRun.Status.READY],
        "handed_over": lanes.handed_over_on(today),
        "sacks": lanes.sacks_in_the_way(today),
        "most": LETTERS_A_DOCUMENT,
        "now": clock.now(),
    }
    return render(request, "outreach/mail.html", context)


@require_POST
def held_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a held letter go, or cancel it, with a note."""
    letter = get_object_or_404(Letter, pk=pk)
    form = DecisionForm(request.POST)
    if not form.is_valid():
        messages.error(request, first_error(form))
        return redirect("outreach:mail")
    decide = letter_release if form.cleaned_data["do"] == "release" else letter_cancel
    try:
        decide(by=actor(request), letter=letter, note=form.cleaned_data["note"])
    except RoundbookError as error:
        if error.status == 403:
            raise
        messages.error(request, str(error.sentence))
    else:
        done = (
            _("The letter goes on.")
            if form.cleaned_data["do"] == "release"
            else _("The letter was cancelled.")
        )
        messages.success(request, done)
    return redirect("outreach:mail")


@require_POST
def run_make(request: HttpRequest) -> HttpResponse:
    """Collect frozen letters into a print run; a worker makes its document."""
    form = PrintForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Choose a kind of letter from the list. Nothing was changed."))
        return redirect("outreach:mail")
    run = print_run_make(by=actor(request), kind=form.cleaned_data["kind"])
    if run.status == PrintRun.Status.EMPTY:
        messages.warning(request, _("Nothing is ready to print. Somebody else may have taken it."))
    else:
        made = ngettext(
            "Print run %(number)s was made with %(count)s letter. Its document follows in a moment.",
            "Print run %(number)s was made with %(count)s letters. Its document follows in a moment.",
            run.letters_count,
        )
        messages.success(request, made % {"number": run.number, "count": run.letters_count})
    return redirect("outreach:mail")


@require_GET
def print_run(request: HttpRequest, pk: int) -> HttpResponse:
    """One print run: its papers, what must be pulled, its hand-over, and its manifest."""
    return _run_page(request, pk, form=None)


def _run_page(request: HttpRequest, pk: int, *, form: TokenForm | None) -> HttpResponse:
    run = get_object_or_404(PrintRun.objects.select_related("made_by", "handed_over_by"), pk=pk)
    with transaction.atomic():
        pulls = lanes.pull_rows(run)
        people = [row.printed.letter.person_id for row in pulls]
        named = _names_shown(request, people, place="outreach:print-run")
    context = {
        "row": lanes.run_row(run, ATTEMPTS),
        "run": run,
        "pulls": pulls,
        "named": named,
        "pulled": run.printed.exclude(pulled="").count(),
        "has_document": PrintDocument.objects.filter(print_run=run).exists(),
        "form": form or TokenForm(),
        "now": clock.now(),
    }
    return render(request, "outreach/print_run.html", context, status=422 if form else 200)


@require_POST
def run_pull(request: HttpRequest, pk: int) -> HttpResponse:
    """Mark one stopped letter's paper as taken out of the pile."""
    run = get_object_or_404(PrintRun, pk=pk)
    form = TokenForm(request.POST)
    if form.is_valid():
        try:
            printed = print_run_pull(by=actor(request), print_run=run, token=form.cleaned_data["token"])
        except RoundbookError as error:
            form.add_error("token", str(error.sentence))
        else:
            messages.success(
                request, _("%(token)s is out of the pile. Destroy the paper.") % {"token": printed.token}
            )
            return redirect("outreach:print-run", pk=pk)
    return _run_page(request, pk, form=form)


@require_POST
def run_hand_over(request: HttpRequest, pk: int) -> HttpResponse:
    """Record that the run went to the post."""
    run = get_object_or_404(PrintRun, pk=pk)
    try:
        left = print_run_hand_over(by=actor(request), print_run=run)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("outreach:print-run", pk=pk)
    if left:
        words = ngettext("%(n)s letter was handed over.", "%(n)s letters were handed over.", left)
        messages.success(request, words % {"n": left})
    else:
        messages.info(request, _("This print run had been handed over before. Nothing was counted twice."))
    return redirect("outreach:mail")


@require_POST
def run_try_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Let the workers try again to make the document of a run."""
    print_run_try_again(by=actor(request), print_run=get_object_or_404(PrintRun, pk=pk))
    messages.info(request, _("The document will be tried again within a minute."))
    return redirect("outreach:print-run", pk=pk)


@require_GET
def run_document(request: HttpRequest, pk: int) -> HttpResponse:
    """The document of a print run; every person in it is journalled as printed."""
    document = get_object_or_404(PrintDocument.objects.select_related("print_run"), print_run_id=pk)
    with transaction.atomic():
        people = PrintedLetter.objects.filter(print_run_id=pk).values_list("letter__person_id", flat=True)
        people_listed(
            by=actor(request), person_ids=people, purpose=Purpose.EXPORT, place="outreach:print-run-document"
        )
    return pdf(bytes(document.content), f"{document.print_run.number}.pdf")


def pdf(content: bytes, name: str) -> HttpResponse:
    """A PDF to look at or print, never kept by a browser."""
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}"'
    response["Cache-Control"] = "no-store"
    return response


@require_GET
def run_manifest(request: HttpRequest, pk: int) -> HttpResponse:
    """The manifest of a print run as CSV: one line a letter, in the order of the pile."""
    run = get_object_or_404(PrintRun, pk=pk)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{run.number}.csv"'
    response["Cache-Control"] = "no-store"
    out = csv.writer(response)
    out.writerow(["position", "token", "person", "kind", "first_page", "pages", "pulled"])
    rows = run.printed.order_by("position")
    columns = ("position", "token", "letter__person_id", "letter__kind", "first_page", "pages", "pulled")
    out.writerows(rows.values_list(*columns))
    return response
