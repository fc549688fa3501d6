"""Pages beside the bench: post that came back, notes enclosed, what each rule cost, a kit handed over."""

from typing import cast

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.access import people_listed, person_open
from screening.models import Kit, KitMove, Person, Return, Round
from screening.services.intake_lists import YEAR, note_read, notes_unread, rule_costs
from screening.services.kits_by_hand import kit_hand_over, undelivered_in_words, undelivered_scan
from staff import clock
from staff.errors import RoundbookError
from staff.models import Purpose, User

PAGE = 50


class SerialForm(forms.Form):
    """One scan."""

    raw = forms.CharField(
        label=_("Scan the kit in the envelope"),
        max_length=60,
        widget=forms.TextInput(attrs={"autofocus": True}),
    )


def _user(request: HttpRequest) -> User:
    return cast(User, request.user)


@require_http_methods(["GET", "POST"])
def undelivered(request: HttpRequest) -> HttpResponse:
    """Envelopes the post brought back, one scan after the other."""
    form = SerialForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            kit = undelivered_scan(by=_user(request), raw=form.cleaned_data["raw"])
        except RoundbookError as error:
            form.add_error("raw", str(error.sentence))
        else:
            messages.success(
                request,
                _("Kit %(serial)s is undelivered. %(follows)s")
                % {"serial": kit.serial, "follows": undelivered_in_words(kit)},
            )
            return redirect("screening:post-undelivered")
    today = KitMove.objects.filter(event="undelivered", occurred_at__gte=clock.moment(clock.today()))
    context = {"form": form, "moves": today.select_related("subject", "actor").order_by("-pk")[:50]}
    return render(request, "screening/undelivered.html", context, status=422 if form.errors else 200)


@require_GET
def notes(request: HttpRequest) -> HttpResponse:
    """Notes enclosed with kits, oldest first; one that speaks of symptoms goes to a nurse the same day."""
    with transaction.atomic():
        page = Paginator(notes_unread(), PAGE).get_page(request.GET.get("page"))
        rows = [(back, _person(back)) for back in page]
        people_listed(by=_user(request), person_ids=[p.pk for _b, p in rows if p], place="notes")
    checked = Return.objects.filter(remark__contains="note_enclosed").count() if not rows else 0
    context = {"rows": rows, "page": page, "checked": checked, "now": clock.now(), "today": clock.today()}
    return render(request, "screening/notes.html", context)


def _person(back: Return) -> Person | None:
    person = back.kit.round.person if back.kit.round else None
    return (person.merged_into or person) if person else None


@require_POST
def note_done(request: HttpRequest, return_id: int) -> HttpResponse:
    """A note was read and dealt with."""
    get_object_or_404(Return, pk=return_id)
    try:
        note_read(by=_user(request), return_id=return_id)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The note is dealt with."))
    return redirect("screening:notes")


@require_GET
def rules(request: HttpRequest) -> HttpResponse:
    """What each accession rule cost over the last year."""
    context = {"costs": rule_costs(clock.today()), "days": YEAR, "now": clock.now()}
    return render(request, "screening/rule_costs.html", context)


@require_POST
def hand_over(request: HttpRequest, pk: int) -> HttpResponse:
    """Give the person of this round a kit across the counter."""
    round_ = get_object_or_404(Round, pk=pk)
    person = person_open(
        by=_user(request), person_id=round_.person_id, purpose=Purpose.CALL, place="screening:hand-over"
    )
    form = SerialForm(request.POST)
    try:
        if not form.is_valid():
            raise RoundbookError("serial_empty", _("Scan the kit you hand over."))
        kit: Kit = kit_hand_over(by=_user(request), round_=round_, raw=form.cleaned_data["raw"])
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(
            request, _("Kit %(serial)s is handed over. It is waited for from today.") % {"serial": kit.serial}
        )
    return redirect("screening:person", pk=person.pk)
