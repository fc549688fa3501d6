"""Today's mail: the lanes from a held letter to the hand-over, and one page for each print run."""

from typing import cast

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from outreach import lanes
from outreach.forms import DecisionForm, PrintForm, first_error
from outreach.models import Letter, PrintRun
from outreach.routes import NAMED
from outreach.services.held import letter_cancel, letter_release
from outreach.services.messages import messages_in_doubt
from outreach.services.print_runs import (
    LETTERS_A_DOCUMENT,
    print_run_make,
)
from outreach.services.rendering import ATTEMPTS
from screening.access import people_listed
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models import User


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


def names_shown(request: HttpRequest, person_ids: list[int], *, place: str) -> bool:
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
        named = names_shown(request, [row.letter.person_id for row in held], place="outreach:mail")
    runs = [lanes.run_row(run, ATTEMPTS) for run in lanes.open_runs()]
    context = {
        "held": held,
        "named": named,
        "held_total": held_total,
        "waiting": lanes.waiting_rows(today),
        "ready": lanes.ready_rows(today),
        "being_made": [row for row in runs if row.run.status == PrintRun.Status.COLLECTING],
        "sealing": [row for row in runs if row.run.status == PrintRun.Status.READY],
        "handed_over": lanes.handed_over_on(today),
        "sacks": lanes.sacks_in_the_way(today),
        "doubts": messages_in_doubt(),
        "back": lanes.undelivered_counts(today),
        "pieces": lanes.pieces(today),
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


def pdf(content: bytes, name: str) -> HttpResponse:
    """A PDF to look at or print, never kept by a browser."""
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}"'
    response["Cache-Control"] = "no-store"
    return response
