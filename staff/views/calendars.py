"""Closed days: the calendar of the programme and of each site, and the forms that change it."""

from collections.abc import Callable
from typing import Any, cast

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from staff import clock
from staff.errors import RoundbookError
from staff.forms.calendars import ClosedDayForm, NoPostForm, PostDaysForm, SeedForm
from staff.models import NonWorkingDay, NoPostDay, Site, User
from staff.services.calendars import (
    closed_day_add,
    closed_day_remove,
    closed_days,
    holidays_seed,
    no_post_add,
    no_post_days,
    no_post_remove,
    post_weekdays_set,
)


@require_http_methods(["GET", "POST"])
def calendar(request: HttpRequest) -> HttpResponse:
    """The closed days of a year and those without post, for the programme or one site; days added, or a country's holidays."""
    forms, wrong = _forms(request), False
    for name, (form, done) in forms.items():
        if form.is_bound:
            if form.is_valid() and done(request, form):
                return redirect(request.get_full_path() if name == "week" else "staff:calendar")
            wrong = True
    today, site = clock.today(), _site(request)
    year = (
        int(request.GET["year"])
        if request.GET.get("year", "").isdecimal() and len(request.GET["year"]) == 4
        else today.year
    )
    context = {name: form for name, (form, _done) in forms.items()} | {
        "site": site, "sites": Site.objects.all(), "year": year, "years": range(today.year, today.year + 3),
        "days": closed_days(year, site), "stops": no_post_days(year, site), "today_is": today,
    }  # fmt: skip
    return render(request, "staff/calendar.html", context, status=422 if wrong else 200)


def _site(request: HttpRequest) -> Site | None:
    return Site.objects.filter(code=request.GET.get("site", "")).first()


def _forms(request: HttpRequest) -> dict[str, tuple[Form, Callable[..., bool]]]:
    """The forms of the page by name, the one that was sent bound to what it was sent with, and what each does."""
    sent: Any = request.POST if request.method == "POST" else {}
    given = (
        "code" if "code" in sent else "no_post" if "no_post" in sent else "week" if "week" in sent else "day"
    )
    data = {given: sent} if request.method == "POST" else {}
    site, today = _site(request), clock.today()
    found: dict[str, tuple[Form, Callable[..., bool]]] = {
        "seed": (SeedForm(data.get("code"), initial={"year": today.year}, auto_id="seed_%s"), _seeded),
        "add": (ClosedDayForm(data.get("day"), auto_id="day_%s"), _added),
        "no_post": (NoPostForm(data.get("no_post"), auto_id="post_%s"), _stopped),
    }
    if site is not None:
        initial = {"weekdays": site.post_weekdays}
        found["week"] = (PostDaysForm(data.get("week"), initial=initial, auto_id="week_%s"), _weekdays)
    return found


def _stopped(request: HttpRequest, form: NoPostForm) -> bool:
    facts = form.cleaned_data
    try:
        no_post_add(by=cast(User, request.user), day=facts["no_post"], name=facts["name"], site=facts["site"])
    except RoundbookError as error:
        form.add_error(
            "no_post" if error.data.get("field") == "day" else error.data.get("field"), str(error.sentence)
        )
        return False
    messages.success(request, _("No post leaves on that day."))
    return True


def _weekdays(request: HttpRequest, form: PostDaysForm) -> bool:
    site = _site(request)
    if site is not None:
        post_weekdays_set(by=cast(User, request.user), site=site, weekdays=form.cleaned_data["weekdays"])
        messages.success(request, _("The post days are set."))
    return True


def _seeded(request: HttpRequest, form: SeedForm) -> bool:
    try:
        done = holidays_seed(by=cast(User, request.user), **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(error.data.get("field"), str(error.sentence))
        return False
    words = _("%(added)s days were added; %(known)s were there already.")
    messages.success(request, words % {"added": done.added, "known": done.known})
    return True


def _added(request: HttpRequest, form: ClosedDayForm) -> bool:
    try:
        closed_day_add(by=cast(User, request.user), **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(error.data.get("field"), str(error.sentence))
        return False
    messages.success(request, _("The day is closed."))
    return True


@require_POST
def calendar_open(request: HttpRequest, pk: int) -> HttpResponse:
    """Work on a day after all."""
    try:
        closed_day_remove(by=cast(User, request.user), closed=get_object_or_404(NonWorkingDay, pk=pk))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The day is worked after all."))
    return redirect("staff:calendar")


@require_POST
def calendar_post(request: HttpRequest, pk: int) -> HttpResponse:
    """The post leaves on a day after all."""
    try:
        no_post_remove(by=cast(User, request.user), stopped=get_object_or_404(NoPostDay, pk=pk))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The post leaves on that day after all."))
    return redirect("staff:calendar")
