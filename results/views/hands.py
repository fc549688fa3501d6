"""The pages of many hands: who holds how many, levelling, sharing out by area, an absent owner, leave and its deputy."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods

from results.forms_hands import AbsenceForm, AreaForm, HandOverForm, HandsForm, LevelForm, TakeOverForm
from results.models import Absence, HandOver
from results.referral_hands import Away, absences_on, deputies_away, hand_overs_running, held_by_nobody, loads
from results.referral_promises import promises_of
from results.referral_queue import open_referrals
from results.services import referrals_hands as hands
from results.services import referrals_leave as leave
from results.views.post_only import post_or_back
from screening.access import people_listed
from staff import clock
from staff.errors import RoundbookError
from staff.models import User


def _user(request: HttpRequest) -> User:
    if not isinstance(request.user, User):
        raise PermissionDenied
    return request.user


@require_GET
def who_holds(request: HttpRequest) -> HttpResponse:
    """Who holds how many, what nobody holds, and who is away."""
    return _who_holds(request)


def _who_holds(
    request: HttpRequest, answered: dict[str, HandsForm] | None = None, status: int = 200
) -> HttpResponse:
    today = clock.today()
    held = loads(today)
    answered = answered or {}
    areas = held_by_nobody(today)
    context = {
        "loads": held,
        "most": max([one.n for one in held], default=0),
        "areas": areas,
        "nobody": sum(one.n for one in areas),
        "away": Away(today).owners,
        "absences": Absence.objects.filter(ended_by__isnull=True)
        .exclude(until__lt=today)
        .select_related("user", "noted_by"),
        "hand_overs": hand_overs_running(),
        "deputies_away": deputies_away(today),
        "level_form": answered.get("level") or LevelForm(today=today, prefix="level"),
        "area_form": AreaForm(today=today, auto_id=False),
        "absence_form": answered.get("absence") or AbsenceForm(today=today, prefix="absence"),
        "today": today,
    }
    return render(request, "results/hands.html", context, status=status)


def _moved(request: HttpRequest, count: int) -> None:
    words = ngettext("%(n)s referral changed hands.", "%(n)s referrals changed hands.", count)
    messages.success(request, words % {"n": count})


def _refused(request: HttpRequest, form: HandsForm, error: RoundbookError, name: str) -> HttpResponse:
    form.add_error(None, str(error.sentence))
    return _who_holds(request, {name: form}, status=error.status)


@post_or_back("results:hands")
def level(request: HttpRequest) -> HttpResponse:
    """Move so many from one colleague to another."""
    form = LevelForm(request.POST, today=clock.today(), prefix="level")
    if not form.is_valid():
        return _who_holds(request, {"level": form}, status=422)
    try:
        _moved(request, hands.referrals_level(by=_user(request), **form.cleaned_data))
    except RoundbookError as error:
        return _refused(request, form, error, "level")
    return redirect("results:hands")


@post_or_back("results:hands")
def assign_area(request: HttpRequest) -> HttpResponse:
    """Share out what nobody holds in an area."""
    form = AreaForm(request.POST, today=clock.today())
    if not form.is_valid():
        messages.error(request, _("Choose a colleague who is here, or all."))
        return redirect("results:hands")
    try:
        _moved(request, hands.referrals_assign_area(by=_user(request), **form.cleaned_data))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    return redirect("results:hands")


@post_or_back("results:hands")
def absence_note(request: HttpRequest) -> HttpResponse:
    """Somebody is away from today."""
    form = AbsenceForm(request.POST, today=clock.today(), prefix="absence")
    if not form.is_valid():
        return _who_holds(request, {"absence": form}, status=422)
    try:
        leave.absence_note(by=_user(request), since=clock.today(), **form.cleaned_data)
    except RoundbookError as error:
        return _refused(request, form, error, "absence")
    messages.success(request, _("Noted: %(who)s is away.") % {"who": form.cleaned_data["user"].full_name})
    held = open_referrals().filter(owner=form.cleaned_data["user"])
    if held.exists() or deputies_away(clock.today(), form.cleaned_data["user"]).exists():
        return redirect("results:away", pk=form.cleaned_data["user"].pk)
    return redirect("results:hands")


@post_or_back("results:hands")
def absence_end(request: HttpRequest, pk: int) -> HttpResponse:
    """Back at work, or the leave does not take place."""
    absence = get_object_or_404(Absence.objects.select_related("user"), pk=pk)
    try:
        back = leave.absence_end(by=_user(request), absence=absence)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = ngettext(
            "%(who)s is noted as here. %(n)s referral went back.",
            "%(who)s is noted as here. %(n)s referrals went back.",
            back,
        )
        messages.success(request, words % {"who": absence.user.full_name, "n": back})
    return redirect("results:hands")


@require_http_methods(["GET", "POST"])
def away(request: HttpRequest, pk: int) -> HttpResponse:
    """What an absent owner holds, and where it goes."""
    by, absent, today = _user(request), get_object_or_404(User, pk=pk), clock.today()
    form = TakeOverForm(request.POST or None, today=today)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            where, to = form.cleaned_data["where"], form.cleaned_data["to"]
            try:
                moved = hands.referrals_take_over(
                    by=by, absent=absent, to=to if where == "to" else None, spread=where == "spread"
                )
            except RoundbookError as error:
                form.add_error(None, str(error.sentence))
            else:
                _moved(request, moved)
                return redirect("results:queue")
    with transaction.atomic():
        rows = promises_of(open_referrals().filter(owner=absent), today=today)
        people_listed(by=by, person_ids=[row.person_id for row in rows], place="held by somebody away")
    absence = absences_on(today).filter(user=absent).select_related("noted_by").first()
    held = next((one for one in Away(today).owners if one.user.pk == absent.pk), None)
    context: dict[str, Any] = {"absent": absent, "absence": absence, "rows": rows, "form": form, "held": held}
    context["deputies_away"] = deputies_away(today, absent)
    return render(request, "results/away.html", context, status=status)


@require_http_methods(["GET", "POST"])
def hand_over_new(request: HttpRequest, pk: int) -> HttpResponse:
    """Plan leave for a colleague or for oneself."""
    by, holder, today = _user(request), get_object_or_404(User, pk=pk), clock.today()
    form = HandOverForm(request.POST or None, today=today, holder=holder)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = form.cleaned_data
            chosen = [one.pk for one in data["chosen"]] if data["which"] == "chosen" else None
            try:
                made = leave.hand_over_plan(
                    by=by, user=holder, since=data["since"], until=data["until"], to=data["to"],
                    note=data["note"], referral_ids=chosen,
                )  # fmt: skip
            except RoundbookError as error:
                form.add_error(None, str(error.sentence))
            else:
                messages.success(
                    request, _("Planned. Print this page for the deputy on the last day before.")
                )
                return redirect(reverse("results:hand-over", args=[made.pk]))
    with transaction.atomic():
        rows = promises_of(open_referrals().filter(owner=holder), today=today)
        people_listed(by=by, person_ids=[row.person_id for row in rows], place="hand-over")
    ticked = {str(value) for value in request.POST.getlist("chosen")}
    context = {"holder": holder, "form": form, "rows": rows, "ticked": ticked, "mine": holder.pk == by.pk}
    return render(request, "results/hand_over_new.html", context, status=status)


@require_GET
def hand_over(request: HttpRequest, pk: int) -> HttpResponse:
    """For the deputy, on paper: who was promised what, and when."""
    made = get_object_or_404(HandOver.objects.select_related("absence__user", "to", "made_by"), pk=pk)
    today = clock.today()
    if made.begun_at is None and made.whole:
        meant = open_referrals().filter(owner=made.absence.user)
    else:
        meant = open_referrals().filter(hand_over_lines__hand_over=made)
    with transaction.atomic():
        rows = promises_of(meant, today=today)
        people_listed(by=_user(request), person_ids=[row.person_id for row in rows], place="hand-over")
    context = {
        "made": made,
        "rows": rows,
        "closed": made.lines.filter(referral__state="closed").count(),
        "now": clock.now(),
        "deputies_away": deputies_away(today).filter(pk=made.pk),
    }
    return render(request, "results/hand_over.html", context)
