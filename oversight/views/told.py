"""Figures told by others: what stands, telling one, taking one back."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from oversight.forms_told import TellForm
from oversight.models import ToldFigure
from oversight.services.told import MAY_TELL, TELLS, figure_take_back, figure_tell, span_words
from oversight.views.definition import reader_of
from staff import clock
from staff.access import require_role, user_holds
from staff.errors import RoundbookError

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

TAKEN_BACK_SHOWN = 20


@require_http_methods(["GET", "POST"])
def told_figures(request: HttpRequest) -> HttpResponse:
    """What was told, and the form that tells more."""
    by = reader_of(request)
    form = TellForm(request.POST or None, today=clock.today())
    if request.method == "POST":
        require_role(by, *MAY_TELL)
        if form.is_valid():
            try:
                kept = figure_tell(by=by, **form.cleaned_data)
            except RoundbookError as error:
                form.add_error(None, str(error.sentence))
            else:
                words = {"what": TELLS[kept.kind].counted, "span": span_words(kept.since, kept.until)}
                messages.success(request, _("Told: %(what)s, %(span)s.") % words)
                return redirect("oversight:told")
    rows = ToldFigure.objects.select_related("told_by", "ended_by")
    context = {
        "form": form,
        "rows": _with_words(rows.filter(ended_at=None)),
        "taken_back": _with_words(rows.exclude(ended_at=None).order_by("-ended_at")[:TAKEN_BACK_SHOWN]),
        "may_tell": user_holds(by, MAY_TELL),
    }  # fmt: skip
    return render(request, "oversight/told.html", context, status=422 if form.is_bound else 200)


def _with_words(rows: Iterable[ToldFigure]) -> "list[tuple[ToldFigure, StrOrPromise, str]]":
    """Each figure with what it counts and its months in words."""
    return [(one, TELLS[one.kind].counted, span_words(one.since, one.until)) for one in rows]


@require_POST
def take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a figure back with a reason."""
    told = get_object_or_404(ToldFigure, pk=pk)
    try:
        figure_take_back(by=reader_of(request), told=told, why=request.POST.get("why", ""))
        messages.success(request, _("Taken back. It is counted no longer, and stays on record below."))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    return redirect("oversight:told")
