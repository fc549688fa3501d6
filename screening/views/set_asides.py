"""Solve set-asides: the list, most overdue first, and one guided question with its answers."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import OuterRef, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_GET, require_http_methods

from screening.access import people_listed
from screening.models import Person, Return, ReturnMove
from screening.services.intake import return_solve
from screening.services.intake_calls import (
    CALL_WORDS,
    Call,
    attempts_of,
    call_record,
    day_suggested,
    housemates,
    missed_calls,
)
from screening.services.intake_lists import racks_of_set_asides
from screening.services.intake_places import place_of
from screening.services.intake_questions import LABELS, answers_for, question_for, reason_in_words
from screening.services.intake_solve import Answer, Consequence, consequence, reason_of
from screening.services.intake_swaps import person_of, swap_in_words
from screening.states import RETURN
from staff import clock
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Pool
from staff.routes import route_table

PAGE = 50


class SolveForm(forms.Form):
    """The answer to one set-aside."""

    answer = forms.ChoiceField(choices=[(one.value, label) for one, label in LABELS.items()])
    day = forms.CharField(max_length=24, required=False)
    note = forms.CharField(max_length=400, required=False)
    other_serial = forms.CharField(max_length=40, required=False)


class CallForm(forms.Form):
    """What became of a call."""

    call = forms.ChoiceField(choices=[(one.value, CALL_WORDS[one]) for one in Call])
    on = forms.DateField(required=False)
    at = forms.TimeField(required=False)
    note = forms.CharField(max_length=400, required=False)


@dataclass(frozen=True, slots=True)
class Row:
    """One set-aside as the list shows it."""

    back: Return
    person: Person | None
    reason: Any
    expires_on: date
    overdue: bool
    place: Any = ""

    @property
    def who(self) -> str:
        """The pool or person whose it is."""
        return str(Pool(self.back.pool).label) if self.back.pool else str(self.back.owner)


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer with what it would do."""

    answer: Answer
    label: Any
    consequence: Consequence


def _waiting() -> QuerySet[Return]:
    latest = (
        ReturnMove.objects.filter(subject=OuterRef("pk"), event__in=["set_aside", "reschedule"])
        .exclude(reason="")
        .order_by("-seq")
    )
    return (
        Return.objects.filter(state="set_aside")
        .select_related("kit__round__person__merged_into", "kit__lot__kit_model", "tray")
        .annotate(reason=Subquery(latest.values("reason")[:1]))
        .order_by("due_on", "pk")
    )


def _expires_on(back: Return) -> date:
    return back.collected_earliest + timedelta(days=back.kit.lot.kit_model.sample_age_limit_days)


@require_GET
def set_asides(request: HttpRequest) -> HttpResponse:
    """Every set-aside, the most overdue first."""
    today = clock.today()
    with transaction.atomic():
        page = Paginator(_waiting(), PAGE).get_page(request.GET.get("page"))
        rows = [
            Row(
                back,
                person_of(back.kit),
                reason_in_words(cast(Any, back).reason),
                _expires_on(back),
                (back.due_on or today) < today,
                place_of(back.tray, back.position),
            )
            for back in page
        ]
        shown = [row.person.pk for row in rows if row.person]
        people_listed(by=_user(request), person_ids=shown, place="set-asides")
    checked = Return.objects.exclude(state="undone").count() if not rows else 0
    context = {
        "rows": rows,
        "racks": racks_of_set_asides(),
        "page": page,
        "checked": checked,
        "now": clock.now(),
        "today": today,
    }
    return render(request, "screening/set_asides.html", context)


def _user(request: HttpRequest) -> User:
    return cast(User, request.user)


@require_http_methods(["GET", "POST"])
def set_aside(request: HttpRequest, return_id: int) -> HttpResponse:
    """One set-aside: what is known, what to ask, and the answers with what each would do."""
    form = SolveForm(request.POST or None)
    if request.method == "POST" and "call" in request.POST:
        return _called(request, return_id)
    if request.method == "POST":
        if form.is_valid():
            try:
                back = return_solve(by=_user(request), return_=Return(pk=return_id), **form.cleaned_data)
            except RoundbookError as error:
                form.add_error(None, str(error.sentence))
            else:
                messages.success(request, _saved(back, form.cleaned_data))
                return redirect("screening:set-asides")
        return _show(request, return_id, form, status=422)
    return _show(request, return_id, form)


def _called(request: HttpRequest, return_id: int) -> HttpResponse:
    """Record a call; the set-aside stays, due as the call left it."""
    form = CallForm(request.POST)
    if not form.is_valid():
        form.add_error(None, _("Choose what became of the call; a day as 2026-06-17, a time as 14:30."))
        return _show(request, return_id, form, status=422)
    try:
        call_record(by=_user(request), return_=Return(pk=return_id), **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return _show(request, return_id, form, status=422)
    messages.success(request, _("The call is recorded."))
    return redirect("screening:set-asides")


def _saved(back: Return, given: dict[str, Any]) -> Any:
    if given["answer"] == Answer.SWAPPED:
        return swap_in_words(back, given["other_serial"])
    return _("Saved: %(kit)s is %(state)s.") % {"kit": back.kit.serial, "state": RETURN.label(back.state)}


def _show(request: HttpRequest, return_id: int, form: forms.Form, status: int = 200) -> HttpResponse:
    day = (request.POST.get("day") or request.GET.get("day", ""))[:24].strip()
    today = clock.today()
    with transaction.atomic():
        back = get_object_or_404(
            Return.objects.select_related(
                "kit__round__person__merged_into", "kit__lot__kit_model", "delivery", "tray"
            ),
            pk=return_id,
        )
        if back.state != "set_aside":
            messages.info(request, _("Somebody has already solved this one."))
            return redirect("screening:set-asides")
        reason, person = reason_of(back), person_of(back.kit)
        household = housemates(person) if person else []
        shown = [person, *(one.person for one in household)]
        people_listed(by=_user(request), person_ids=[p.pk for p in shown if p], place="set-aside")
        suggested = day_suggested(back)
        likely = (
            consequence(back=back, answer=Answer.DAY_TOLD, day=suggested.isoformat(), today=today)
            if suggested
            else None
        )
        choices = [
            Choice(one, LABELS[one], consequence(back=back, answer=one, today=today))
            for one in answers_for(reason)
        ]
        told = consequence(back=back, answer=Answer.DAY_TOLD, day=day, today=today) if day else None
    context = {
        "back": back, "person": person, "household": household, "reason": reason_in_words(reason),
        "question": question_for(reason), "choices": choices, "asks_day": len(choices) > 1, "day": day, "told": told,
        "expires_on": _expires_on(back), "days_left": (_expires_on(back) - today).days, "form": form,
        "age": _age(person, today), "attempts": attempts_of(back), "missed": missed_calls(back), "suggested": suggested,
        "likely": likely, "place": place_of(back.tray, back.position), "calls": [(c.value, CALL_WORDS[c]) for c in Call],
        "may_correct": _may_correct(_user(request)), "today": today, "swap": Answer.SWAPPED in [one.answer for one in choices],
        "note": request.POST.get("note", ""), "other_serial": request.POST.get("other_serial", ""),
    }  # fmt: skip
    return render(request, "screening/set_aside.html", context, status=status)


def _may_correct(user: User) -> bool:
    """Whether this user may open a person's page and correct a fact on it."""
    table = route_table()
    return all(user.roles & table[name].roles for name in ("screening:person", "screening:person-correct"))


def _age(person: Person | None, today: date) -> int | None:
    if person is None or person.birth_date is None:
        return None
    born = person.birth_date
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))
