"""Who opened whose record: the access journal for the auditor."""

from typing import cast
from urllib.parse import urlencode

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from screening.forms.journal import JournalForm, NumberForm
from screening.services.journal import journal_entries, journal_looks, record_of_number
from staff import clock
from staff.errors import RoundbookError
from staff.models import User

ROWS = 200


@require_http_methods(["GET", "POST"])
def journal(request: HttpRequest) -> HttpResponse:
    """The journal, by person, user, day and purpose; a person number comes by POST and becomes a record number."""
    by = cast(User, request.user)
    ask = NumberForm(request.POST if request.method == "POST" else None, auto_id="number_%s")
    if request.method == "POST" and ask.is_valid():
        try:
            record = record_of_number(by=by, number=ask.cleaned_data["number"])
        except RoundbookError as error:
            ask.add_error("number", str(error.sentence))
        else:
            wide = {"record": record, "from": ""}
            return redirect(f"{reverse('screening:journal')}?{urlencode(wide)}")
    form = JournalForm(request.GET, today=clock.today())
    chosen = form.cleaned_data if form.is_valid() else {}
    entries = journal_entries(
        by=by, since=chosen.get("from"), until=chosen.get("to"), user=chosen.get("user"),
        person_id=chosen.get("record"), purpose=chosen.get("purpose", ""),
    )  # fmt: skip
    page = Paginator(entries if form.is_valid() else entries.none(), ROWS).get_page(request.GET.get("page"))
    context = {"form": form, "ask": ask, "page": page, "looks": journal_looks(page), "now": clock.now()}
    wrong = bool(form.errors or ask.errors)
    return render(request, "screening/journal.html", context, status=422 if wrong else 200)
