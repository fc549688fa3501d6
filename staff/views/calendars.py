"""Closed days: the calendar of the programme and of each site, and the forms that change it."""

from collections.abc import Callable, Mapping
from typing import Any, cast
from urllib.parse import urlencode

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from staff import clock
from staff.errors import RoundbookError
from staff.forms.calendars import ClosedDayForm, NoPostForm, PostDaysForm, SeedForm
from staff.models import NonWorkingDay, NoPostDay, Site, User
from staff.services.calendars import (
    YEARS_AHEAD,
    closed_day_add,
    closed_day_remove,
    closed_days,
    holidays_seed,
    no_post_add,
    no_post_days,
    no_post_remove,
    post_weekdays_set,
)

FIRST_YEAR = 2000


@require_http_methods(["GET", "POST"])
def calendar(request: HttpRequest) -> HttpResponse:
    """The closed days of a year and those without post, for the programme or one site; days added, or a country's holidays."""
    forms, wrong = _forms(request), False
    for name, (form, done) in forms.items():
        if form.is_bound:
            if form.is_valid() and done(request, form):
                return redirect(request.get_full_path() if name == "week" else _where(form.cleaned_data))
            wrong = True
    today, site = clock.today(), _site(request)
    year = _year(request, today.year)
    context = {name: form for name, (form, _done) in forms.items()} | {
        "site": site, "sites": Site.objects.all(), "year": year, "years": sorted({year, *range(today.year, today.year + YEARS_AHEAD + 1)}),
        "days": closed_days(year, site), "stops": no_post_days(year, site), "today_is": today,
    }  # fmt: skip
    return render(request, "staff/calendar.html", context, status=422 if wrong else 200)


def _year(request: HttpRequest, this_year: int) -> int:
    """The year asked for, if the calendar may hold one; else this year."""
    asked = request.GET.get("year", "")
    year = int(asked) if asked.isdecimal() and len(asked) == 4 else this_year
    return year if FIRST_YEAR <= year <= this_year + YEARS_AHEAD else this_year


def _where(facts: Mapping[str, Any]) -> str:
    """The list in which what was entered now stands: its year, and its site if it is of one."""
    day, site = facts.get("day") or facts.get("no_post"), facts.get("site")
    return _listed(day.year if day else facts["year"], site)


def _listed(year: int, site: Site | None) -> str:
    shown = {"year": str(year)} | ({"site": site.code} if site else {})
    return f"{reverse('staff:calendar')}?{urlencode(shown)}"


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
        found = no_post_add(
            by=cast(User, request.user), day=facts["no_post"], name=facts["name"], site=facts["site"]
        )
    except RoundbookError as error:
        form.add_error(
            "no_post" if error.data.get("field") == "day" else error.data.get("field"), str(error.sentence)
        )
        return False
    _said(request, found, facts["name"], _("No post leaves on that day."))
    return True


def _said(request: HttpRequest, found: NonWorkingDay | NoPostDay, name: str, words: str) -> None:
    """That it is done; where the day stood there already under another name, that this name stays."""
    if found.name == name.strip()[:80]:
        messages.success(request, words)
        return
    known = _(
        "%(day)s stands here already as “%(name)s”, and that name stays. Take it out first to enter another."
    )
    facts = {"day": date_format(found.day, "j F Y"), "name": found.name}
    messages.warning(request, known % facts)


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
        found = closed_day_add(by=cast(User, request.user), **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(error.data.get("field"), str(error.sentence))
        return False
    _said(request, found, form.cleaned_data["name"], _("The day is closed."))
    return True


@require_POST
def calendar_open(request: HttpRequest, pk: int) -> HttpResponse:
    """Work on a day after all."""
    closed = get_object_or_404(NonWorkingDay.objects.select_related("site"), pk=pk)
    at = _listed(closed.day.year, closed.site)
    try:
        closed_day_remove(by=cast(User, request.user), closed=closed)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The day is worked after all."))
    return redirect(at)


@require_POST
def calendar_post(request: HttpRequest, pk: int) -> HttpResponse:
    """The post leaves on a day after all."""
    stopped = get_object_or_404(NoPostDay.objects.select_related("site"), pk=pk)
    at = _listed(stopped.day.year, stopped.site)
    try:
        no_post_remove(by=cast(User, request.user), stopped=stopped)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The post leaves on that day after all."))
    return redirect(at)
