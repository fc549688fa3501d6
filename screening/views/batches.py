"""Invite: who is due, which kits are there, open a batch, hand it to the post, send replacements."""

from typing import cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.forms.batches import BatchForm
from screening.models import Batch
from screening.services.batches import (
    batch_counts,
    batch_dispatch,
    batch_left_out,
    batch_open,
    replacements_send,
    replacements_wanted,
    stock_by_lot,
)
from screening.services.due import due_people_by_area
from screening.services.policies import policy_on
from screening.services.waiting import waiting_round_close, waiting_rounds
from screening.states import ROUND_CLOSE_REASONS
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

MAY_INVITE = (Role.PHONE_DESK, Role.MANAGER)


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


@require_http_methods(["GET", "POST"])
def batches(request: HttpRequest) -> HttpResponse:
    """The page with what is due, the stock, the form and the batches so far."""
    may_invite = user_holds(actor(request), MAY_INVITE)
    form = BatchForm(request.POST) if request.method == "POST" else BatchForm()
    if request.method == "POST" and may_invite and form.is_valid():
        try:
            batch = batch_open(
                by=actor(request), size=form.cleaned_data["size"], area=form.cleaned_data["area"]
            )
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            words = ngettext(
                "Batch %(number)s is open with %(size)s person.",
                "Batch %(number)s is open with %(size)s people.",
                batch.size,
            )
            messages.success(request, words % {"number": batch.number, "size": batch.size})
            return redirect("screening:batch", pk=batch.pk)
    return render(
        request,
        "screening/batches.html",
        _page(request, form, may_invite),
        status=422 if form.errors else 200,
    )


def _page(request: HttpRequest, form: BatchForm, may_invite: bool) -> dict[str, object]:
    today = clock.today()
    found = Batch.objects.select_related("opened_by", "dispatched_by").order_by("-opened_at", "-pk")
    page = Paginator(found, 20).get_page(request.GET.get("page"))
    counts = batch_counts(list(page))
    stock = stock_by_lot(on=today)
    by_phone = user_holds(actor(request), (Role.PHONE_DESK,))
    waiting, waiting_total = waiting_rounds(by=actor(request)) if by_phone else ([], 0)
    areas = due_people_by_area(today)
    return {
        "form": form,
        "may_invite": may_invite,
        "may_stock": user_holds(actor(request), (Role.ADMINISTRATOR,)),
        "page": page,
        "rows": [(batch, counts[batch.pk]) for batch in page],
        "areas": areas,
        "due": sum(row.due for row in areas),
        "stock": stock,
        "usable": sum(lot.in_stock for lot in stock if lot.usable),
        "policy": policy_on(today),
        "wanting": replacements_wanted(),
        "by_phone": by_phone,
        "waiting": waiting,
        "waiting_total": waiting_total,
    }


@require_GET
def batch(request: HttpRequest, pk: int) -> HttpResponse:
    """One batch: its counts, who was left out and why, and the button that hands it to the post."""
    batch = get_object_or_404(Batch.objects.select_related("opened_by", "dispatched_by", "protocol"), pk=pk)
    context = {
        "batch": batch,
        "counts": batch_counts([batch])[batch.pk],
        "left_out": [(str(ROUND_CLOSE_REASONS[reason]), n) for reason, n in batch_left_out(batch)],
        "may_invite": user_holds(actor(request), MAY_INVITE),
        "closing_days": policy_on(clock.today()).closing_days,
    }
    return render(request, "screening/batch.html", context)


@require_POST
def dispatch(request: HttpRequest, pk: int) -> HttpResponse:
    """Hand a batch to the post."""
    batch = get_object_or_404(Batch, pk=pk)
    try:
        sent = batch_dispatch(by=actor(request), batch=batch)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = ngettext(
            "%(sent)s kit was handed to the post.", "%(sent)s kits were handed to the post.", sent
        )
        messages.success(request, words % {"sent": sent})
    return redirect("screening:batch", pk=pk)


@require_POST
def replacements(request: HttpRequest) -> HttpResponse:
    """Send replacement kits to everybody who waits for one."""
    try:
        sent = replacements_send(by=actor(request))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = ngettext(
            "%(sent)s replacement kit was handed to the post.",
            "%(sent)s replacement kits were handed to the post.",
            sent,
        )
        messages.success(
            request, words % {"sent": sent} if sent else _("No replacement kit could be sent today.")
        )
    return redirect("screening:batches")


@require_POST
def waiting_send(request: HttpRequest, pk: int) -> HttpResponse:
    """Send another kit to one round whose last kit could not be delivered."""
    try:
        sent = replacements_send(by=actor(request), round_ids=[pk])
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        if sent:
            messages.success(request, _("Another kit was handed to the post."))
        else:
            messages.error(
                request, _("No kit was sent: this round no longer waits for one, or may not have one.")
            )
    return redirect("screening:batches")


@require_POST
def waiting_close(request: HttpRequest, pk: int) -> HttpResponse:
    """Close one round that waits for the phone desk."""
    try:
        closed = waiting_round_close(by=actor(request), round_id=pk)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = _("The round is closed: %(reason)s.")
        messages.success(request, words % {"reason": ROUND_CLOSE_REASONS[closed.close_reason]})
    return redirect("screening:batches")
