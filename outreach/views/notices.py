"""Notices to practices, for the administrator: where they go, what waits, the last error in words, and “send again”."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST

from outreach.catalogue import KINDS
from outreach.forms import NoticeRouteForm
from outreach.models import Notice
from outreach.services.notice_routes import (
    notice_route_set,
    notice_settle,
    notices_again,
    notices_queue,
    routes_listed,
)
from outreach.views.mail import actor
from screening.models import Practice
from staff import clock
from staff.errors import RoundbookError


@require_http_methods(["GET", "POST"])
def notices(request: HttpRequest) -> HttpResponse:
    """The practices with their ways, the queue, and the form that sets a way. No person is named here."""
    form = NoticeRouteForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            notice_route_set(by=actor(request), **form.cleaned_data)
        except RoundbookError as error:
            form.add_error("address" if error.code == "address" else None, str(error.sentence))
        else:
            messages.success(request, _("Saved. It counts for letters handed over from now on."))
            return redirect("outreach:notices")
    context = {
        "form": form, "routes": routes_listed(), "now": clock.now(),
        "rows": [(one, KINDS[one.letter.kind].name) for one in notices_queue()],
    }  # fmt: skip
    return render(request, "outreach/notices.html", context, status=422 if form.errors else 200)


@require_POST
def again(request: HttpRequest, pk: int) -> HttpResponse:
    """Try one notice again."""
    try:
        notices_again(by=actor(request), notice=get_object_or_404(Notice, pk=pk))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("It is sent again within the minute."))
    return redirect("outreach:notices")


@require_POST
def practice_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Try everything again that was given up for a practice."""
    n = notices_again(by=actor(request), practice=get_object_or_404(Practice, pk=pk))
    words = ngettext("%(n)s notice is sent again.", "%(n)s notices are sent again.", n)
    messages.success(request, words % {"n": n})
    return redirect("outreach:notices")


@require_POST
def settle(request: HttpRequest, pk: int) -> HttpResponse:
    """The practice was told in another way."""
    try:
        notice_settle(
            by=actor(request), notice=get_object_or_404(Notice, pk=pk), note=request.POST.get("note", "")
        )
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("Settled."))
    return redirect("outreach:notices")
