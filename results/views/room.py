"""Is there room? The manager's page of capacity: who needs a date, the first free place, and how full the weeks are; no names."""

from datetime import timedelta

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from results.calendar_week import calendars_on, capacity, weeks_ahead
from results.services.calendar_moves import people_to_move
from results.services.referrals_frame import results_policy_on
from staff import clock

WEEKS = 8


@require_GET
def room(request: HttpRequest) -> HttpResponse:
    """Eight weeks of every kept unit, and for how many people the promise cannot be kept."""
    today = clock.today()
    policy = results_policy_on(today)
    kept = calendars_on(today)
    context = {
        "kept": kept, "policy": policy, "capacity": capacity(today, policy) if kept else None, "now": clock.now(),
        "to_move": people_to_move().count(), "rows": weeks_ahead(kept, today, WEEKS), "until": today + timedelta(weeks=WEEKS),
    }  # fmt: skip
    return render(request, "results/room.html", context)
