"""The page "Attended?": every booking whose day is over and that nobody answered, answered with one tap each."""

from dataclasses import dataclass
from datetime import date

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from results.models import Booking, Referral
from results.referral_attendance import LIST_DONE_BY, Answered, answered_today, attendance_missing
from results.referral_story import move_sentence
from results.services.referrals_attendance import booking_outcome, booking_outcome_take_back
from results.views.post_only import post_or_back
from screening.access import people_listed
from screening.eligibility import age_on
from staff import clock
from staff.errors import RoundbookError
from staff.models import Site, User

PLACE = "attended?"
SHOWN = 300


@dataclass
class Row:
    """One booking that needs an answer."""

    booking: Booking
    name: str
    age: int | None
    days_ago: int
    nth_missed: int


@dataclass
class Group:
    """The bookings of one unit on one day."""

    site: Site
    day: date
    rows: list[Row]


@require_GET
def attended(request: HttpRequest) -> HttpResponse:
    """The list; everybody shown is journalled."""
    user = request.user
    assert isinstance(user, User)  # noqa: S101 - the route guard lets nobody else in
    now, today = clock.now(), clock.today()
    with transaction.atomic():
        missing = attendance_missing(now)
        total = missing.count()
        bookings = list(missing.select_related("referral__person", "site")[:SHOWN])
        answered = answered_today(today)
        shown = [b.referral.person_id for b in bookings] + [a.move.subject.person_id for a in answered]
        people_listed(by=user, person_ids=shown, place=PLACE)
        missed = _missed_before([b.referral_id for b in bookings])
    context = {
        "groups": _groups(bookings, today, missed),
        "total": total,
        "more": total - len(bookings),
        "answered": [(_answered_words(one), one) for one in answered],
        "checked": Booking.objects.filter(status=Booking.Status.BOOKED).count(),
        "checked_at": now,
        "by_hour": f"{LIST_DONE_BY}:00",
    }
    return render(request, "results/attended.html", context)


def _missed_before(referral_ids: list[int]) -> dict[int, int]:
    """How often each of these was missed before, in one query."""
    found = Booking.objects.filter(referral_id__in=referral_ids, status=Booking.Status.MISSED)
    counts: dict[int, int] = {}
    for pk in found.values_list("referral_id", flat=True):
        counts[pk] = counts.get(pk, 0) + 1
    return counts


def _groups(bookings: list[Booking], today: date, missed: dict[int, int]) -> list[Group]:
    groups: dict[tuple[date, int], Group] = {}
    for booking in bookings:
        person = booking.referral.person
        row = Row(
            booking=booking,
            name=f"{person.family_name}, {person.given_names}",
            age=age_on(person.birth_date, today) if person.birth_date else None,
            days_ago=clock.days_between(booking.day, today),
            nth_missed=missed.get(booking.referral_id, 0),
        )
        key = (booking.day, booking.site_id)
        groups.setdefault(key, Group(booking.site, booking.day, [])).rows.append(row)
    return list(groups.values())


def _answered_words(one: Answered) -> str:
    person = one.move.subject.person
    return f"{person.family_name}, {person.given_names}: {move_sentence(one.move)}"


@post_or_back("results:attended")
def attended_answer(request: HttpRequest, pk: int) -> HttpResponse:
    """One tap: what became of this booking."""
    user = request.user
    assert isinstance(user, User)  # noqa: S101 - the route guard lets nobody else in
    booking = get_object_or_404(Booking.objects.select_related("referral__person"), pk=pk)
    seen = request.POST.get("seen", "")
    try:
        booking_outcome(
            by=user, booking=booking, outcome=request.POST.get("outcome", ""),
            note=request.POST.get("note", "")[:500], seen=int(seen) if seen.isdigit() else None,
        )  # fmt: skip
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        person = booking.referral.person
        words = {"name": f"{person.given_names} {person.family_name}", "what": booking.get_status_display()}
        messages.success(request, _("Recorded: %(name)s, %(what)s.") % words)
    return redirect(reverse("results:attended"))


@post_or_back("results:attended")
def attended_take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """The answer was wrong: the booking stands again."""
    user = request.user
    assert isinstance(user, User)  # noqa: S101 - the route guard lets nobody else in
    referral = get_object_or_404(Referral, pk=pk)
    try:
        booking_outcome_take_back(by=user, referral=referral)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("Taken back. The booking stands again and needs an answer."))
    return redirect(reverse("results:attended"))
