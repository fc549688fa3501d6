"""Invite: who is due, which kits are there, open a batch, hand it to the post, send replacements."""

from typing import cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.access import people_listed
from screening.eligibility import age_on
from screening.forms.batches import BatchForm, PaceForm, PauseForm
from screening.models import Batch, InvitationPace, InvitationPause
from screening.services.batches import (
    batch_counts,
    batch_dispatch,
    batch_left_out,
    batch_open,
    batch_people,
    batch_preflight,
    batch_release,
    batches_to_post,
    replacements_send,
    replacements_wanted,
    stock_by_lot,
)
from screening.services.due import due_people_by_area
from screening.services.pace import pace_set, paces_shown, paces_to_come
from screening.services.packing import packing_of
from screening.services.pauses import holiday_ahead, pause_end, pause_make, pauses_coming
from screening.services.policies import policy_on
from screening.services.register_proof import register_freshness
from screening.services.waiting import waiting_round_close, waiting_rounds
from screening.states import ROUND_CLOSE_REASONS
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models import Purpose, Site, User
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
        "to_post": set(batches_to_post().values_list("pk", flat=True)),
        "areas": areas,
        "due": sum(row.due for row in areas),
        "stock": stock,
        "usable": sum(lot.in_stock for lot in stock if lot.usable),
        "policy": policy_on(today),
        "pauses": pauses_coming(today),
        "pause_form": PauseForm(auto_id="pause_%s"),
        "paces": paces_shown(today),
        "paces_ahead": paces_to_come(today),
        "pace_form": PaceForm(auto_id="pace_%s", initial={"since": today}),
        "holiday": holiday_ahead(today),
        "fresh": register_freshness(today),
        "wanting": replacements_wanted(),
        "by_phone": by_phone,
        "waiting": waiting,
        "waiting_total": waiting_total,
    }


@require_POST
def pause(request: HttpRequest) -> HttpResponse:
    """Pause the invitations of an area or of all."""
    form = PauseForm(request.POST, auto_id="pause_%s")
    if form.is_valid():
        try:
            pause_make(by=actor(request), **form.cleaned_data)
        except RoundbookError as error:
            form.add_error(error.data.get("field"), str(error.sentence))
        else:
            messages.success(request, _("Paused. Whoever is invited already is not touched."))
            return redirect("screening:batches")
    page = _page(request, BatchForm(), may_invite=True) | {"pause_form": form}
    return render(request, "screening/batches.html", page, status=422)


@require_POST
def pace(request: HttpRequest) -> HttpResponse:
    """Set how many people a working day are invited, of an area or of all."""
    form = PaceForm(request.POST, auto_id="pace_%s")
    if form.is_valid():
        try:
            made = pace_set(by=actor(request), **form.cleaned_data)
        except RoundbookError as error:
            form.add_error(error.data.get("field"), str(error.sentence))
        else:
            messages.success(request, _pace_words(made))
            return redirect("screening:batches")
    page = _page(request, BatchForm(), may_invite=True) | {"pace_form": form}
    return render(request, "screening/batches.html", page, status=422)


def _pace_words(made: InvitationPace) -> str:
    """What was set, and from when where it does not hold yet."""
    if made.since > clock.today():
        later = (
            _("The limit is lifted from %(day)s. Until then nothing changes.")
            if made.per_day is None
            else _("The pace is set from %(day)s. Until then nothing changes.")
        )
        return later % {"day": date_format(made.since, "j F Y")}
    if made.per_day is None:
        return _("The limit is lifted.")
    return _("The pace is set. Whoever is invited already is not touched.")


@require_POST
def pause_over(request: HttpRequest, pk: int) -> HttpResponse:
    """End a pause."""
    try:
        pause_end(by=actor(request), pause=get_object_or_404(InvitationPause, pk=pk))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The pause is over. Whoever waited longest comes first."))
    return redirect("screening:batches")


@require_GET
def batch(request: HttpRequest, pk: int) -> HttpResponse:
    """One batch: its counts, who was left out and why, and the button that hands it to the post."""
    batch = get_object_or_404(
        Batch.objects.select_related("opened_by", "dispatched_by", "protocol", "posted_from"), pk=pk
    )
    may_invite = user_holds(actor(request), MAY_INVITE)
    waits = batch.dispatched_on is None and may_invite
    with transaction.atomic():
        unfit = batch_preflight(batch) if waits else []
        first = batch_people(batch, limit=10) if waits else []
        shown = [*(u.person_id for u in unfit), *(person.pk for person, _serial in first)]
        people_listed(by=actor(request), person_ids=shown, place="screening:batch", purpose=Purpose.CHECK)
    policy = policy_on(clock.today())
    context = {
        "batch": batch,
        "waits": waits,
        "to_post": batches_to_post().filter(pk=batch.pk).exists(),
        "unfit": [(u, ROUND_CLOSE_REASONS[u.reason]) for u in unfit],
        "first": [
            (p, serial, age_on(p.birth_date, clock.today()) if p.birth_date else "") for p, serial in first
        ],
        "packing": packing_of(batch, on=clock.today()) if waits and policy.pairs_proven else None,
        "sites": Site.objects.filter(does_colonoscopy=False) if waits else [],
        "needs_release": waits and policy.second_person_releases and batch.released_by_id is None,
        "may_release": batch.opened_by_id != actor(request).pk,
        "fresh": register_freshness(clock.today()),
        "counts": batch_counts([batch])[batch.pk],
        "left_out": [(str(ROUND_CLOSE_REASONS[reason]), n) for reason, n in batch_left_out(batch)],
        "may_invite": may_invite,
        "closing_days": policy.closing_days,
    }
    return render(request, "screening/batch.html", context)


@require_POST
def release(request: HttpRequest, pk: int) -> HttpResponse:
    """Release a batch as the second person."""
    try:
        left_out = batch_release(
            by=actor(request), batch=get_object_or_404(Batch, pk=pk), stale_note=request.POST.get("note", "")
        )
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = ngettext(
            "Released. %(n)s person was left out.", "Released. %(n)s people were left out.", left_out
        )
        messages.success(
            request, words % {"n": left_out} if left_out else _("Released. Nobody had to be left out.")
        )
    return redirect("screening:batch", pk=pk)


@require_POST
def dispatch(request: HttpRequest, pk: int) -> HttpResponse:
    """Hand a batch to the post."""
    batch = get_object_or_404(Batch, pk=pk)
    site = Site.objects.filter(code=request.POST.get("site", "")).first()
    try:
        sent = batch_dispatch(by=actor(request), batch=batch, posted_from=site)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = ngettext(
            "%(sent)s kit was handed to the post.", "%(sent)s kits were handed to the post.", sent
        )
        if sent:
            messages.success(request, words % {"sent": sent})
        else:
            messages.warning(request, _("Nothing was handed over now: no kit of this batch is left to post."))
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
