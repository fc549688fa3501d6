"""Find a place: the free places on our lists that fit one person, to hold or to book at once."""

from datetime import date, timedelta
from itertools import islice
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from results.calendar_board import Choice, board_read
from results.calendar_rules import PREPARATION_DAYS
from results.follow_up_rules import WAIT_LOOK
from results.forms_calendar import FindForm
from results.models import ClinicList, ListPlace, Referral
from results.referral_clocks import promised_by
from results.referral_ladder import WaitPolicy, waited
from results.referral_story import said
from results.services import places
from results.services.referrals_assessment import assessment_blocks
from results.services.referrals_frame import results_policy_on, wait_policy
from results.views.post_only import post_or_back
from results.views.referral_facts import person_strip
from screening.access import person_open
from staff import clock
from staff.errors import RoundbookError
from staff.models import User
from staff.models.journal import Purpose

SHOWN = 40


def _user(request: HttpRequest) -> User:
    if not isinstance(request.user, User):
        raise PermissionDenied
    return request.user


@require_GET
def find(request: HttpRequest, pk: int) -> HttpResponse:
    """The places that fit, earliest first; what was asked for stands in the address."""
    today = clock.today()
    with transaction.atomic():
        referral = get_object_or_404(Referral.objects.select_related("person__area", "owner"), pk=pk)
        person_open(
            by=_user(request), person_id=referral.person_id, purpose=Purpose.WORKLIST, place="find a place"
        )
    policy = results_policy_on(today)
    form = FindForm(_asked(request, referral, today, policy.alarm_days), today=today)
    rows: list[dict[str, Any]] = []
    if form.is_valid():
        data = form.cleaned_data
        board = board_read(today, until=data["until"])
        found = board.choices(
            form.needs, area_id=referral.person.area_id, urgent=data["urgent"], since=data["since"], until=data["until"],
            site_id=data["site"].pk if data["site"] else None, most_minutes=data["minutes"],
        )  # fmt: skip
        rows = [_row(choice, referral, today, wait_policy(policy)) for choice in islice(found, SHOWN)]
    context = {
        "referral": referral, "strip": person_strip(referral.person, today), "form": form, "rows": rows, "now": clock.now(),
        "blocks": assessment_blocks(referral, today=today), "held": _held(referral), "today": today,
        "promised": promised_by(referral.opened_on, policy.examination_days), "preparation": PREPARATION_DAYS,
        "may": referral.state in places.BOOKABLE_STATES,
    }  # fmt: skip
    return render(request, "results/places.html", context, status=422 if form.errors else 200)


def _held(referral: Referral) -> list[dict[str, Any]]:
    return [places.place_words(one) for one in places.standing_places(referral)]


def _asked(request: HttpRequest, referral: Referral, today: date, alarm: int) -> dict[str, Any]:
    """What the address says or, at first, what the person's assessment and wait call for."""
    if request.GET:
        return request.GET.dict()
    needs = places.needs_of(referral)
    urgent = places.is_urgent(referral.state, (today - referral.opened_on).days, alarm)
    since = today + timedelta(days=1 if urgent else PREPARATION_DAYS)
    asked = {"bed": needs.bed, "interpreter": needs.interpreter, "urgent": urgent}
    return {"since": since.isoformat()} | {name: "on" for name, wanted in asked.items() if wanted}


def _row(choice: Choice, referral: Referral, today: date, marks: WaitPolicy) -> dict[str, Any]:
    wait = waited(min(referral.opened_on, choice.list.day), choice.list.day, marks)
    tone, word = WAIT_LOOK[wait.level]
    return {
        "choice": choice, "days": wait.days, "tone": tone, "word": word,
        "soon": (choice.list.day - today).days < PREPARATION_DAYS,
    }  # fmt: skip


@post_or_back("results:places", of_record=True)
def take(request: HttpRequest, pk: int) -> HttpResponse:
    """Hold a place, or book it at once."""
    referral = get_object_or_404(Referral, pk=pk)
    one = get_object_or_404(ClinicList, pk=_number(request.POST.get("list")))
    form = FindForm(request.POST, today=clock.today())
    back = request.POST.get("back", "")
    here = reverse("results:places", args=[pk]) + (f"?{back}" if back else "")
    if not form.is_valid():
        messages.error(request, _("What you looked for could not be read. Choose again."))
        return redirect(here)
    given: dict[str, Any] = {
        "by": _user(request), "referral": referral, "clinic_list": one, "first": _number(request.POST.get("first")),
        "needs": form.needs, "urgent": form.cleaned_data["urgent"], "seen": _number(request.POST.get("seen")),
    }  # fmt: skip
    try:
        if request.POST.get("do") == "hold":
            place = places.place_hold(**given)
            until = said(place.held_until) if place.held_until else ""
            messages.success(request, _("Held up to %(until)s.") % {"until": until})
            return redirect(here)
        made = places.place_book(**given, agreed=request.POST.get("do") == "book")
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect(here)
    messages.success(
        request, _("Booked: %(day)s at %(site)s.") % {"day": said(made.day), "site": made.site.name}
    )
    return redirect("results:referral", pk=pk)


@post_or_back("results:queue")
def held(request: HttpRequest, pk: int) -> HttpResponse:
    """A held place is taken by the person, or let go."""
    place = get_object_or_404(ListPlace.objects.select_related("referral"), pk=pk)
    by, seen = _user(request), _number(request.POST.get("seen"))
    try:
        if request.POST.get("do") == "let_go":
            places.place_let_go(by=by, place=place, seen=seen)
            messages.success(request, _("Let go."))
            return redirect("results:places", pk=place.referral_id)
        made = places.held_place_book(by=by, place=place, seen=seen)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("results:places", pk=place.referral_id)
    messages.success(
        request, _("Booked: %(day)s at %(site)s.") % {"day": said(made.day), "site": made.site.name}
    )
    return redirect("results:referral", pk=place.referral_id)


def _number(text: str | None) -> int | None:
    return int(text) if text and text.isdigit() and len(text) < 18 else None
