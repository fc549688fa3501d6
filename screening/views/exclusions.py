"""Leave a person out for a medical reason, make it last as a second person, end it."""

from typing import cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from screening.access import person_open
from screening.forms.people import ExclusionForm
from screening.models import Exclusion
from screening.services.exclusions import exclusion_confirm, exclusion_end, exclusion_record
from screening.views.people import person_page
from staff.errors import RoundbookError
from staff.models import Purpose, User


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


@require_POST
def exclude(request: HttpRequest, pk: int) -> HttpResponse:
    """Record an exclusion."""
    person = person_open(
        by=actor(request), person_id=pk, purpose=Purpose.CALL, place="screening:person-exclude"
    )
    form = ExclusionForm(request.POST, auto_id="exclude_%s")
    if not form.is_valid():
        return person_page(request, pk, exclude_form=form)
    try:
        done = exclusion_record(by=actor(request), person=person, **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(error.data.get("field"), str(error.sentence))
        return person_page(request, pk, exclude_form=form)
    words = _(
        "Left out until %(day)s. From then on this person is due again by the usual rules, without anybody’s doing."
    )
    messages.success(request, words % {"day": f"{done.until:%-d %B %Y}"})
    return redirect("screening:person", pk=person.pk)


@require_POST
def exclusion(request: HttpRequest, pk: int) -> HttpResponse:
    """Make an exclusion last, or end it."""
    found = get_object_or_404(Exclusion, pk=pk)
    person = person_open(
        by=actor(request), person_id=found.person_id, purpose=Purpose.CHECK, place="screening:exclusion"
    )
    try:
        if "confirm" in request.POST:
            exclusion_confirm(by=actor(request), exclusion=found)
            messages.success(request, _("Confirmed: left out for good."))
        else:
            exclusion_end(by=actor(request), exclusion=found, note=request.POST.get("note", ""))
            messages.success(request, _("Ended. The next date was computed anew."))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    return redirect("screening:person", pk=person.pk)
