"""One print run: its papers, its checks, what is pulled, printed again or given to a contractor, and its hand-over."""

import csv

from django.contrib import messages
from django.db import transaction
from django.db.models import Count, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from outreach import lanes
from outreach.forms import ReprintForm, TokenForm, first_error
from outreach.models import ContractorFile, PrintDocument, PrintedLetter, PrintRun, Reprint
from outreach.services.contractor import contractor_file_make, contractor_parcel
from outreach.services.print_runs import print_run_hand_over, print_run_pull
from outreach.services.rendering import ATTEMPTS, print_run_try_again
from outreach.services.reprints import check_rows, counts_agree, reprint_ask, reprint_render
from outreach.views.mail import actor, names_shown, pdf
from screening.access import people_listed
from staff import clock
from staff.errors import RoundbookError
from staff.models import Purpose
from staff.second import signs


@require_GET
def print_run(request: HttpRequest, pk: int) -> HttpResponse:
    """One print run: its papers, what must be pulled, its hand-over, and its manifest."""
    return _run_page(request, pk, form=None)


def _run_page(request: HttpRequest, pk: int, *, form: TokenForm | None) -> HttpResponse:
    run = get_object_or_404(PrintRun.objects.select_related("made_by", "handed_over_by"), pk=pk)
    with transaction.atomic():
        pulls = lanes.pull_rows(run)
        people = [row.printed.letter.person_id for row in pulls]
        named = names_shown(request, people, place="outreach:print-run")
    context = {
        "row": lanes.run_row(run, ATTEMPTS),
        "run": run,
        "pulls": pulls,
        "named": named,
        "pulled": run.printed.exclude(pulled="").count(),
        "reprint": ReprintForm(by=actor(request), initial={"first": 1, "last": run.letters_count}),
        "reprints": run.reprints.select_related("asked_by", "agreed_by"),
        "files": run.files.select_related("made_by"),
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


@require_GET
def run_check(request: HttpRequest, pk: int) -> HttpResponse:
    """The check sheet of a run: which letters to take out and compare, and whether the pages add up."""
    run = get_object_or_404(PrintRun, pk=pk)
    with transaction.atomic():
        rows = check_rows(run)
        left = run.printed.filter(pulled="").aggregate(letters=Count("pk"), pages=Sum("pages"))
        named = names_shown(
            request, [row.printed.letter.person_id for row in rows], place="outreach:print-run-check"
        )
    context = {
        "run": run,
        "rows": rows,
        "named": named,
        "agree": counts_agree(run),
        "left": left,
        "now": clock.now(),
    }
    return render(request, "outreach/check_sheet.html", context)


@require_POST
def run_reprint(request: HttpRequest, pk: int) -> HttpResponse:
    """Print places of a run again; answers with the papers."""
    run = get_object_or_404(PrintRun, pk=pk)
    form = ReprintForm(request.POST, by=actor(request))
    if not form.is_valid():
        messages.error(request, first_error(form))
        return redirect("outreach:print-run", pk=pk)
    asked = form.cleaned_data
    second = asked["agreed_by"]
    if second is not None and not signs(request, second, asked["password"]):
        messages.error(request, _("This is not the password of the second person. Nothing was changed."))
        return redirect("outreach:print-run", pk=pk)
    try:
        reprint_ask(
            by=actor(request), print_run=run, first=asked["first"], last=asked["last"], reason=asked["reason"],
            destroyed=asked["destroyed"], agreed_by=second,
        )  # fmt: skip
    except RoundbookError as error:
        if error.status == 403:
            raise
        messages.error(request, str(error.sentence))
    else:
        messages.success(
            request, _("Places %(first)s to %(last)s can be printed again: open the papers below.") % asked
        )
    return redirect("outreach:print-run", pk=pk)


@require_GET
def reprint_document(request: HttpRequest, pk: int) -> HttpResponse:
    """The papers of a reprint; everybody in it is journalled as printed."""
    made = get_object_or_404(Reprint.objects.select_related("print_run"), pk=pk)
    people = PrintedLetter.objects.filter(
        print_run=made.print_run, position__range=(made.first, made.last), pulled=""
    ).values_list("letter__person_id", flat=True)
    with transaction.atomic():
        people_listed(
            by=actor(request), person_ids=people, purpose=Purpose.EXPORT, place="outreach:reprint-document"
        )
    try:
        content = reprint_render(reprint=made).content
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("outreach:print-run", pk=made.print_run_id)
    return pdf(content, f"{made.print_run.number}-{made.first}-{made.last}.pdf")


@require_POST
def run_file(request: HttpRequest, pk: int) -> HttpResponse:
    """Give a run to a contractor: the same file each time, or a new one with a reason."""
    run = get_object_or_404(PrintRun, pk=pk)
    try:
        made = contractor_file_make(
            by=actor(request), print_run=run, reason=request.POST.get("reason", "")[:200]
        )
    except RoundbookError as error:
        if error.status == 403:
            raise
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("File %(id)s can be fetched below.") % {"id": made.file_id})
    return redirect("outreach:print-run", pk=pk)


@require_GET
def file_parcel(request: HttpRequest, pk: int) -> HttpResponse:
    """The archive for the contractor; everybody in it is journalled as exported."""
    made = get_object_or_404(ContractorFile.objects.select_related("print_run"), pk=pk)
    try:
        parcel = contractor_parcel(made)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("outreach:print-run", pk=made.print_run_id)
    with transaction.atomic():
        people = PrintedLetter.objects.filter(print_run=made.print_run).values_list(
            "letter__person_id", flat=True
        )
        people_listed(
            by=actor(request), person_ids=people, purpose=Purpose.EXPORT, place="outreach:file-parcel"
        )
    response = HttpResponse(parcel.content, content_type="application/zip")
    response["Content-Disposition"] = f'attachment; filename="{parcel.name}"'
    response["Cache-Control"] = "no-store"
    return response
