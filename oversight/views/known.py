"""“As known on a day”: a list of work, an indicator, and a person's record and history as they stood then."""

from datetime import date, timedelta
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.periods import default_period
from oversight.services.known import LISTS, SHOWN, known_figure, known_list, known_person
from oversight.views.net import frame_of, reader
from screening.access import MAY_OPEN, person_open
from screening.models import PersonIdentifier
from staff import clock
from staff.access import user_holds
from staff.models import Purpose

WHATS = {name: words for name, (_machine, words) in LISTS.items()}


def _day(request: HttpRequest) -> tuple[date, str]:
    """The day asked for, or a month ago; and what is wrong with it."""
    text, today = request.GET.get("day", ""), clock.today()
    usual = today - timedelta(days=30)
    if not text:
        return usual, ""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return usual, _("That is no day. Write it as year-month-day.")
    return (
        (day, "")
        if day <= today
        else (usual, _("That day is still to come. Choose today or an earlier day."))
    )


@require_GET
def known(request: HttpRequest) -> HttpResponse:
    """A list of work or an indicator as the registry knew it at the end of a day, beside today's."""
    day, problem = _day(request)
    what = request.GET.get("what", "referrals")
    told: dict[str, Any] = {
        "day": day, "problem": problem, "what": what, "whats": WHATS.items(), "shown": SHOWN,
        "figures": [(key, one.name) for key, one in indicators().items()],
        "may_open": user_holds(reader(request), MAY_OPEN), "number": request.GET.get("number", ""),
    }  # fmt: skip
    if what in LISTS:
        total, rows = known_list(what, day)
        told |= {
            "total": total,
            "rows": rows,
            "changed": sum(row.changed for row in rows),
            "title": WHATS[what],
        }
    elif what in indicators():
        first, _last = default_period(day)
        asked = Asked(first, day)
        told |= {"figure": known_figure(what, asked, day), "asked": asked, "title": indicators()[what].name}
    if told["number"]:
        person = PersonIdentifier.objects.filter(value=told["number"].strip()).first()
        if person is not None and told["may_open"]:
            return redirect(f"{person.person_id}/?day={day}")
        told["problem"] = told["problem"] or _(
            "Nobody has that number. Check it, or find the person by name first."
        )
    return render(request, "oversight/known.html", frame_of(request, "known") | told)


@require_GET
def known_of_person(request: HttpRequest, pk: int) -> HttpResponse:
    """A person's record and everything of hers as known at the end of a day, and what changed since."""
    day, problem = _day(request)
    person = person_open(by=reader(request), person_id=pk, purpose=Purpose.CHECK, place="as known on a day")
    told = {"person": person, "day": day, "problem": problem, "known": known_person(person, day)}
    return render(request, "oversight/known_person.html", frame_of(request, "known") | told)
