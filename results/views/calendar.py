"""The calendar we keep: a unit's week, its lists and who is on them, closing a unit, and moving everybody concerned."""

from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods

from results.calendar_rules import CONFIRM_DAYS, NEW_DATE_DAYS, week_of
from results.calendar_week import calendars_on, capacity, places_of, unconfirmed, week_read
from results.forms_calendar import BeginForm, CalendarForm, CancelForm, CloseUnitForm, ListsForm
from results.models import Booking, ClinicList, UnitCalendar
from results.services import calendar as keeping
from results.services import calendar_moves as moves
from results.services.referrals_booking import booking_confirm, booking_give_back
from results.services.referrals_contact import contact_attempt_record
from results.services.referrals_frame import results_policy_on
from results.views.post_only import post_or_back
from screening.access import people_listed
from staff import clock
from staff.errors import RoundbookError
from staff.models import User

PLACE = "calendar"


def _user(request: HttpRequest) -> User:
    if not isinstance(request.user, User):
        raise PermissionDenied
    return request.user


@require_GET
def calendar(request: HttpRequest) -> HttpResponse:
    """One week of one unit; unit and week stand in the address."""
    return _calendar(request)


def _calendar(
    request: HttpRequest, forms: dict[str, CalendarForm] | None = None, status: int = 200
) -> HttpResponse:
    today = clock.today()
    policy, kept = results_policy_on(today), calendars_on(today)
    asked = request.GET.get("site", "")
    chosen = next((one for one in kept if one.site.code == asked), kept[0] if kept else None)
    monday = week_of(_day(request.GET.get("week")) or max(today, chosen.kept_from if chosen else today))
    outside = keeping.bookings_outside(chosen.site, today) if chosen else []
    with transaction.atomic():
        people_listed(by=_user(request), person_ids=[one.referral.person_id for one in outside], place=PLACE)
    forms = forms or {}
    context: dict[str, Any] = {
        "kept": kept, "chosen": chosen, "monday": monday, "today": today, "policy": policy,
        "week": week_read(chosen, monday) if chosen else None, "outside": outside,
        "earlier": monday - timedelta(days=7), "later": monday + timedelta(days=7),
        "capacity": capacity(today, policy) if kept else None, "to_move": moves.people_to_move().count(),
        "unconfirmed": unconfirmed(today).count(), "checked_at": clock.now(),
        "begin_form": forms.get("begin") or (BeginForm(today=today, prefix="begin") if policy.who_books == "us" else None),
        "lists_form": forms.get("lists") or ListsForm(today=today, prefix="lists", initial={"site": chosen.site if chosen else None}),
        "open_forms": set(forms),
    }  # fmt: skip
    return render(request, "results/calendar.html", context, status=status)


def _day(text: str | None) -> date | None:
    try:
        return parse_date(text or "")
    except ValueError:
        return None


def _week_url(site_code: str, day: date) -> str:
    return f"{reverse('results:calendar')}?site={site_code}&week={week_of(day).isoformat()}"


@post_or_back("results:calendar")
def calendar_begin(request: HttpRequest) -> HttpResponse:
    """Begin to keep a unit's calendar."""
    form = BeginForm(request.POST, today=clock.today(), prefix="begin")
    if not form.is_valid():
        return _calendar(request, {"begin": form}, status=422)
    try:
        made = keeping.calendar_begin(by=_user(request), **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return _calendar(request, {"begin": form}, status=error.status)
    messages.success(
        request,
        _("From %(day)s dates at %(site)s are given here. Now lay its lists down.")
        % {"day": made.kept_from.strftime("%d.%m.%Y"), "site": made.site.name},
    )
    return redirect(_week_url(made.site.code, made.kept_from))


@post_or_back("results:calendar")
def calendar_lists(request: HttpRequest) -> HttpResponse:
    """Lay the same list down on several days."""
    form = ListsForm(request.POST, today=clock.today(), prefix="lists")
    if not form.is_valid():
        return _calendar(request, {"lists": form}, status=422)
    data = form.cleaned_data
    shape = keeping.Shape(data["name"], data["starts"], data["points"], data["minutes"], form.offers)
    try:
        count = keeping.lists_lay_down(
            by=_user(request), site=data["site"], since=data["since"], until=data["until"], weekdays=data["weekdays"],
            shape=shape,
        )  # fmt: skip
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return _calendar(request, {"lists": form}, status=error.status)
    words = ngettext("%(n)s list was laid down.", "%(n)s lists were laid down.", count)
    messages.success(request, words % {"n": count})
    return redirect(_week_url(data["site"].code, data["since"]))


@post_or_back("results:calendar")
def calendar_take_in(request: HttpRequest, pk: int) -> HttpResponse:
    """Give the unit's own standing bookings their places on our lists."""
    kept = get_object_or_404(UnitCalendar.objects.select_related("site"), pk=pk)
    taken, left = keeping.standing_bookings_take_in(by=_user(request), site=kept.site)
    words = _("%(taken)s bookings have their places now; %(left)s stand outside the lists.")
    messages.success(request, words % {"taken": taken, "left": left})
    return redirect(_week_url(kept.site.code, max(kept.kept_from, clock.today())))


@require_GET
def calendar_list(request: HttpRequest, pk: int) -> HttpResponse:
    """Who is on a list, by time."""
    return _list_page(request, pk)


def _list_page(
    request: HttpRequest, pk: int, form: CancelForm | None = None, status: int = 200
) -> HttpResponse:
    today = clock.today()
    with transaction.atomic():
        one = get_object_or_404(ClinicList.objects.select_related("site", "cancelled_by"), pk=pk)
        rows = places_of(one)
        people_listed(
            by=_user(request), person_ids=[row.place.referral.person_id for row in rows], place=PLACE
        )
    context = {
        "one": one, "rows": rows, "week_url": _week_url(one.site.code, one.day), "free": one.points - sum(
            row.place.points.upper - row.place.points.lower for row in rows
        ), "form": form or CancelForm(today=today, prefix="cancel"), "over": one.day < today, "asked": form is not None,
    }  # fmt: skip
    return render(request, "results/calendar_list.html", context, status=status)


@post_or_back("results:calendar-list", of_record=True)
def calendar_list_cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Cancel a list; everybody on it gets a next date, and the page to move them opens."""
    one = get_object_or_404(ClinicList, pk=pk)
    form = CancelForm(request.POST, today=clock.today(), prefix="cancel")
    if not form.is_valid():
        return _list_page(request, pk, form, status=422)
    try:
        people = moves.list_cancel(by=_user(request), clinic_list=one, why=form.cleaned_data["why"])
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return _list_page(request, pk, form, status=error.status)
    _told(request, people)
    return redirect("results:calendar-move" if people else _week_url(one.site.code, one.day))


def _told(request: HttpRequest, people: int) -> None:
    words = ngettext(
        "Cancelled. %(n)s person lost a booked day and is due on the next working day.",
        "Cancelled. %(n)s people lost a booked day and are due on the next working day.",
        people,
    )
    messages.success(request, words % {"n": people})


@require_http_methods(["GET", "POST"])
def calendar_close(request: HttpRequest) -> HttpResponse:
    """Close a unit for a span: first how many it concerns, then it is done."""
    today = clock.today()
    form = CloseUnitForm(request.POST or None, today=today, prefix="close")
    concerned = None
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        if "sure" in request.POST:
            people = moves.unit_close(by=_user(request), **data)
            _told(request, people)
            return redirect("results:calendar-move" if people else "results:calendar")
        span = {"site": data["site"], "day__range": (data["since"], data["until"])}
        concerned = {
            "bookings": Booking.objects.filter(status=Booking.Status.BOOKED, **span).count(),
            "lists": ClinicList.objects.filter(cancelled_at__isnull=True, **span).count(),
        }
    context = {"form": form, "concerned": concerned}
    return render(request, "results/calendar_close.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def calendar_move(request: HttpRequest) -> HttpResponse:
    """Everybody whose day was taken away, each with the earliest fitting place; all or the chosen ones are moved."""
    today, by = clock.today(), _user(request)
    if request.method == "POST":
        ids = [int(text) for text in request.POST.getlist("who") if text.isdigit()]
        if not ids:
            messages.error(request, _("Choose at least one person."))
            return redirect("results:calendar-move")
        moved, left = moves.people_move(by=by, referral_ids=ids)
        words = _("%(moved)s have a new day; each is asked and told in writing. %(left)s still need one.")
        messages.success(request, words % {"moved": moved, "left": left})
        return redirect("results:calendar-move")
    with transaction.atomic():
        planned = moves.moves_planned(moves.people_to_move()[:300], today=today)
        people_listed(by=by, person_ids=[one.referral.person_id for one in planned], place=PLACE)
    context = {
        "planned": planned,
        "within": NEW_DATE_DAYS,
        "now": clock.now(),
        "any": any(one.choice for one in planned),
    }
    return render(request, "results/calendar_move.html", context)


@require_GET
def not_confirmed(request: HttpRequest) -> HttpResponse:
    """Bookings that nobody has confirmed and whose day of asking has come."""
    today = clock.today()
    with transaction.atomic():
        rows = list(unconfirmed(today)[:300])
        people_listed(
            by=_user(request), person_ids=[one.referral.person_id for one in rows], place="unconfirmed"
        )
    context = {"rows": rows, "today": today, "now": clock.now(), "days": CONFIRM_DAYS, "checked": Booking.objects.filter(
        status=Booking.Status.BOOKED, confirmed_on__isnull=True
    ).count()}  # fmt: skip
    return render(request, "results/unconfirmed.html", context)


@post_or_back("results:unconfirmed")
def not_confirmed_answer(request: HttpRequest, pk: int) -> HttpResponse:
    """One tap: confirmed, no answer, or the place is given back."""
    by, answer = _user(request), request.POST.get("answer", "")
    booking = get_object_or_404(Booking.objects.select_related("referral__person"), pk=pk)
    seen = request.POST.get("seen", "")
    number = int(seen) if seen.isdigit() else None
    person = booking.referral.person
    name = f"{person.given_names} {person.family_name}"
    try:
        if answer == "confirmed":
            booking_confirm(by=by, booking=booking, seen=number)
            words = _("%(name)s confirmed the day.")
        elif answer == "give_back":
            booking_give_back(by=by, booking=booking, seen=number)
            words = _(
                "The place of %(name)s is free for others; the person is called on the next working day."
            )
        else:
            contact_attempt_record(by=by, referral=booking.referral, outcome="no_answer", seen=number)
            words = _("Recorded: %(name)s was not reached, and is asked again on the next working day.")
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, words % {"name": name})
    here = reverse("results:referral", args=[booking.referral_id])
    return redirect(here if request.POST.get("next") == here else reverse("results:unconfirmed"))
