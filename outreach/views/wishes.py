"""How a person wants to hear from us, and the answers to their requests: forms beside their letters."""

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from outreach.forms import ReplyForm, WishForm, first_error
from outreach.services.wishes import request_reply, wish_record
from outreach.views.mail import actor
from screening.access import person_open
from staff.errors import RoundbookError
from staff.models import Purpose

KEPT = "letters_panel_kept"
"""What was typed into a form that was refused lies in the session until the panel shows it again."""


def kept_of(request: HttpRequest, person_id: int, name: str) -> dict[str, str] | None:
    """What was typed last into this form about this person, if it was refused; gone once it was asked for."""
    kept = request.session.get(KEPT)
    if not kept or kept["form"] != name or kept["person"] != person_id:
        return None
    del request.session[KEPT]
    return dict(kept["typed"])


def _refused(request: HttpRequest, person_id: int, name: str, words: str) -> HttpResponse:
    typed = {field: value for field, value in request.POST.items() if field != "csrfmiddlewaretoken"}
    request.session[KEPT] = {"form": name, "person": person_id, "typed": typed}
    messages.error(request, words)
    return redirect("screening:person", pk=person_id)


@require_POST
def wishes(request: HttpRequest, person_id: int) -> HttpResponse:
    """Write down how the person reads best and the ways to which they agree."""
    form = WishForm(request.POST)
    if not form.is_valid():
        return _refused(request, person_id, "wishes", first_error(form))
    given = form.cleaned_data
    with transaction.atomic():
        person = person_open(
            by=actor(request), person_id=person_id, purpose=Purpose.CHECK, place="outreach:wishes"
        )
    try:
        wish_record(
            by=actor(request), person=person, form=given["form"], text=given["text"], email=given["email"],
            source=given["source"],
        )  # fmt: skip
    except RoundbookError as error:
        if error.status == 403:
            raise
        return _refused(request, person_id, "wishes", str(error.sentence))
    messages.success(request, _("Written down. The next letter follows it."))
    return redirect("screening:person", pk=person_id)


@require_POST
def reply(request: HttpRequest, person_id: int) -> HttpResponse:
    """Owe the answer to a request about data."""
    form = ReplyForm(request.POST)
    if not form.is_valid():
        return _refused(request, person_id, "reply", first_error(form))
    with transaction.atomic():
        person = person_open(
            by=actor(request), person_id=person_id, purpose=Purpose.CHECK, place="outreach:reply"
        )
    try:
        request_reply(
            by=actor(request),
            person=person,
            reply=form.cleaned_data["reply"],
            identity=form.cleaned_data["identity"],
        )
    except RoundbookError as error:
        if error.status == 403:
            raise
        return _refused(request, person_id, "reply", str(error.sentence))
    messages.success(request, _("The answer goes out with today's mail."))
    return redirect("screening:person", pk=person_id)
