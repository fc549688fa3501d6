"""Closed days: the calendar of the programme and of each site, and the forms that change it."""

from typing import cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from staff import clock
from staff.errors import RoundbookError
from staff.forms.calendars import ClosedDayForm, SeedForm
from staff.models import NonWorkingDay, Site, User
from staff.services.calendars import closed_day_add, closed_day_remove, closed_days, holidays_seed


@require_http_methods(["GET", "POST"])
def calendar(request: HttpRequest) -> HttpResponse:
    """The closed days of a year, for the programme or one site; a day added, or a country's holidays."""
    seeding = request.method == "POST" and "code" in request.POST
    adding = request.method == "POST" and not seeding
    today = clock.today()
    seed = SeedForm(request.POST if seeding else None, initial={"year": today.year}, auto_id="seed_%s")
    add = ClosedDayForm(request.POST if adding else None, auto_id="day_%s")
    if seeding and seed.is_valid() and _seeded(request, seed):
        return redirect("staff:calendar")
    if adding and add.is_valid() and _added(request, add):
        return redirect("staff:calendar")
    site = Site.objects.filter(code=request.GET.get("site", "")).first()
    year = (
        int(request.GET["year"])
        if request.GET.get("year", "").isdecimal() and len(request.GET["year"]) == 4
        else today.year
    )
    context = {
        "seed": seed, "add": add, "site": site, "sites": Site.objects.all(), "year": year,
        "years": range(today.year, today.year + 3), "days": closed_days(year, site), "today_is": today,
    }  # fmt: skip
    return render(request, "staff/calendar.html", context, status=422 if seed.errors or add.errors else 200)


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
