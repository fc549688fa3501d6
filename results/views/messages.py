"""Messages over the line: what came, what became of it, and the ones that wait for somebody."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from results.forms_lab import NoteForm
from results.models import InboxLine, InboxMessage
from results.services.messages import message_retry, message_settle
from results.services.readings_words import verdict_words
from results.views.lab_request import actor, refuse
from staff import clock
from staff.errors import RoundbookError

TONES = {"matched": "ok", "waiting": "warn", "refused": "stop"}
PAGE = 100


@require_GET
def messages_page(request: HttpRequest) -> HttpResponse:
    """Messages that wait or were refused, oldest first; `all` in the address shows every one, newest first."""
    every = "all" in request.GET
    rows = InboxMessage.objects.defer("content").select_related("analyser")
    unsettled = rows.filter(settled_note="").exclude(verdict=InboxMessage.Verdict.MATCHED)
    shown = rows.order_by("-at", "-pk") if every else unsettled.order_by("at", "pk")
    page = Paginator(shown, PAGE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": [(row, TONES[row.verdict]) for row in page],
        "every": every,
        "now": clock.now(),
    }
    return render(request, "results/messages.html", context)


@require_GET
def message_page(request: HttpRequest, pk: int) -> HttpResponse:
    """One message as it came, with the verdict on each of its results."""
    row = get_object_or_404(InboxMessage.objects.select_related("analyser", "file__run__analyser"), pk=pk)
    lines = InboxLine.objects.filter(file_id=row.file_id).order_by("line") if row.file_id else []
    shown = bytes(row.content)[:20_000].decode("utf-8", "replace").replace("\r", "\n")
    context = {
        "row": row,
        "tone": TONES[row.verdict],
        "lines": [(line, verdict_words(line.verdict)) for line in lines],
        "shown": "".join(one if one == "\n" or one.isprintable() else "\N{REPLACEMENT CHARACTER}" for one in shown),
        "form": NoteForm(),
        "may_retry": row.verdict == InboxMessage.Verdict.WAITING and row.file_id is None,
    }  # fmt: skip
    return render(request, "results/message.html", context)


@require_POST
def message_done(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a message off the list, with a note."""
    row = get_object_or_404(InboxMessage, pk=pk)
    form = NoteForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Write what was found, so that the message may leave this list."))
        return redirect("results:message", pk=pk)
    try:
        message_settle(by=actor(request), message=row, note=form.cleaned_data["note"])
    except RoundbookError as error:
        refuse(request, error)
    return redirect("results:messages")


@require_POST
def message_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Try a waiting message again."""
    row = message_retry(by=actor(request), message=get_object_or_404(InboxMessage, pk=pk))
    messages.info(request, row.sentence or row.get_verdict_display())
    return redirect("results:message", pk=pk)
