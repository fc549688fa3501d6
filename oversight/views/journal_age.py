"""Age of the journal: how old it is by month, what is past its time, what went, and letting it go by two people's word."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from oversight.models import AgeingAsked
from oversight.services.journal_age import journal_age
from oversight.services.journal_ageing import MAY_AGE_OUT
from oversight.services.journal_asked import ageing_agree, ageing_ask
from oversight.views.net import reader
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError


@require_GET
def age_of_the_journal(request: HttpRequest) -> HttpResponse:
    """The months of the access journal, what could go, and who asked for it."""
    by, age = reader(request), journal_age()
    context = {
        "age": age, "now": clock.now(), "may_act": user_holds(by, MAY_AGE_OUT),
        "asked_myself": age.asked is not None and age.asked.asked_by_id == by.pk,
    }  # fmt: skip
    return render(request, "oversight/journal_age.html", context)


@require_POST
def ask(request: HttpRequest) -> HttpResponse:
    """Ask that what is past its time goes."""
    try:
        ageing_ask(by=reader(request))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("It is asked. Another administrator or manager has to agree."))
    return redirect("oversight:journal-age")


@require_POST
def agree(request: HttpRequest, pk: int) -> HttpResponse:
    """Agree to what another person asked for."""
    try:
        ageing_agree(by=reader(request), asked=get_object_or_404(AgeingAsked, pk=pk))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(
            request, _("It is agreed. They go within minutes, unless the journal differs from its seal.")
        )
    return redirect("oversight:journal-age")
