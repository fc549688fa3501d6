"""A paper in the hand: scanned at the sealing desk or when the post brings it back; and messages nobody is sure of."""

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from outreach import lanes
from outreach.forms import SettleForm, TokenForm, first_error
from outreach.models import Letter, Message
from outreach.services.messages import message_doubt_settle
from outreach.services.undelivered import letter_of_token, undelivered_record, undelivered_settle
from outreach.views.mail import actor, names_shown
from staff import clock
from staff.errors import RoundbookError
from staff.roles import Pool


@require_http_methods(["GET", "POST"])
def paper(request: HttpRequest) -> HttpResponse:
    """What to do with the paper whose token was scanned: seal it, pull it, or take it up as undelivered."""
    if request.method == "GET":
        return _paper_page(request, TokenForm(), None)
    form = TokenForm(request.POST)
    if not form.is_valid():
        return _paper_page(request, form, None)
    try:
        letter = letter_of_token(form.cleaned_data["token"])
    except RoundbookError as error:
        form.add_error("token", str(error.sentence))
        return _paper_page(request, form, None)
    return _paper_page(request, TokenForm(), letter, token=form.cleaned_data["token"].strip().upper())


def _paper_page(
    request: HttpRequest, form: TokenForm, letter: Letter | None, *, token: str = ""
) -> HttpResponse:
    with transaction.atomic():
        found = lanes.paper_row(letter, token) if letter is not None else None
        named = names_shown(request, [letter.person_id] if letter else [], place="outreach:paper")
        back = lanes.undelivered_rows(clock.today())
        if named:
            names_shown(request, [row.letter.person_id for row in back], place="outreach:paper")
    context = {"form": form, "found": found, "named": named, "back": back, "now": clock.now()}
    return render(request, "outreach/paper.html", context, status=422 if form.errors else 200)


@require_POST
def paper_back(request: HttpRequest) -> HttpResponse:
    """Take up the letter of a token as undelivered."""
    form = TokenForm(request.POST)
    if not form.is_valid():
        return _paper_page(request, form, None)
    try:
        letter = undelivered_record(by=actor(request), token=form.cleaned_data["token"])
    except RoundbookError as error:
        if error.status == 403:
            raise
        form.add_error("token", str(error.sentence))
        return _paper_page(request, form, None)
    if letter.state == "settled":
        messages.info(request, _("This letter came back before and is settled. Destroy the paper."))
        return redirect("outreach:paper")
    whose = str(letter.owner or Pool(letter.pool).label)
    messages.success(
        request,
        _("Taken up as undelivered: a task of %(whose)s, due %(day)s.")
        % {"whose": whose, "day": date_format(letter.due_on) if letter.due_on else ""},
    )
    return redirect("outreach:paper")


@require_POST
def undelivered_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Settle a letter that came back: reached another way, or written again."""
    letter = get_object_or_404(Letter, pk=pk)
    form = SettleForm(request.POST)
    if not form.is_valid():
        messages.error(request, first_error(form))
        return redirect("outreach:paper")
    try:
        undelivered_settle(
            by=actor(request),
            letter=letter,
            note=form.cleaned_data["note"],
            again=form.cleaned_data["do"] == "again",
        )
    except RoundbookError as error:
        if error.status == 403:
            raise
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The letter that came back is settled."))
    return redirect("outreach:paper")


@require_POST
def doubt_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """What a person found out about a message in doubt."""
    message = get_object_or_404(Message, pk=pk)
    form = SettleForm(request.POST)
    if not form.is_valid():
        messages.error(request, first_error(form))
        return redirect("outreach:mail")
    try:
        message_doubt_settle(
            by=actor(request),
            message=message,
            sent=form.cleaned_data["do"] == "sent",
            note=form.cleaned_data["note"],
        )
    except RoundbookError as error:
        if error.status == 403:
            raise
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The message is settled."))
    return redirect("outreach:mail")
