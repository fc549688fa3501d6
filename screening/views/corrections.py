"""Correct a fact of a person, report a death or take one back, and decide as the second person."""

from typing import cast

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from screening.access import people_listed, person_open
from screening.forms.corrections import CorrectionForm, DeathForm, LivesForm
from screening.models import DeathQuestion
from screening.services.corrections import person_correct
from screening.services.deaths import death_ask, death_decide, deaths_to_decide
from screening.services.duplicates import merges_to_decide
from screening.views.people import person_page
from staff.errors import RoundbookError
from staff.models import Purpose, User


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


@require_POST
def correct(request: HttpRequest, pk: int) -> HttpResponse:
    """Write facts by hand over what the register says."""
    person = person_open(
        by=actor(request), person_id=pk, purpose=Purpose.CHECK, place="screening:person-correct"
    )
    form = CorrectionForm.of(person, request.POST)
    if not form.is_valid():
        return person_page(request, pk, correct_form=form)
    try:
        made = person_correct(
            by=actor(request), person=person, facts=form.facts(), note=form.cleaned_data["note"]
        )
    except RoundbookError as error:
        field = error.data.get("field")
        form.add_error(field if field in form.fields else None, str(error.sentence))
        return person_page(request, pk, correct_form=form)
    words = ngettext("%(n)s fact was corrected.", "%(n)s facts were corrected.", len(made))
    messages.success(
        request, words % {"n": len(made)} if made else _("Nothing was different, so nothing was changed.")
    )
    return redirect("screening:person", pk=person.pk)


@require_POST
def death(request: HttpRequest, pk: int) -> HttpResponse:
    """Report a death, or say that a recorded one is an error."""
    person = person_open(
        by=actor(request), person_id=pk, purpose=Purpose.CALL, place="screening:person-death"
    )
    lives = person.deceased_on is not None
    form = (LivesForm if lives else DeathForm)(request.POST, auto_id="death_%s")
    if not form.is_valid():
        return person_page(request, pk, death_form=form)
    try:
        death_ask(
            by=actor(request), person=person, source=form.cleaned_data["source"], day=form.cleaned_data.get("day"),
            kind=DeathQuestion.Kind.LIVES if lives else DeathQuestion.Kind.DIED,
        )  # fmt: skip
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return person_page(request, pk, death_form=form)
    messages.success(request, _("Written down. Nothing is sent from now on; a second person decides."))
    return redirect("screening:person", pk=person.pk)


@require_GET
def second_look(request: HttpRequest) -> HttpResponse:
    """What waits for a second person: deaths, and records that may be put together."""
    by = actor(request)
    with transaction.atomic():
        questions, merges = list(deaths_to_decide()), list(merges_to_decide())
        people = {q.person_id for q in questions} | {pk for m in merges for pk in (m.kept_id, m.merged_id)}
        people_listed(by=by, person_ids=people, place="screening:second-look")
    context = {
        "questions": [(q, q.asked_by_id != by.pk) for q in questions],
        "merges": [(m, m.asked_by_id != by.pk) for m in merges],
    }
    return render(request, "screening/second_look.html", context)


@require_POST
def death_decided(request: HttpRequest, pk: int) -> HttpResponse:
    """Agree to a reported death or a reversal, or not."""
    question = get_object_or_404(DeathQuestion.objects.select_related("person"), pk=pk)
    person_open(
        by=actor(request), person_id=question.person_id, purpose=Purpose.CHECK, place="screening:death-decide"
    )
    try:
        done = death_decide(by=actor(request), question=question, agree="agree" in request.POST)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = {
            (DeathQuestion.Kind.DIED, True): _("The death is in the book. What waited has stopped."),
            (DeathQuestion.Kind.LIVES, True): _("The death is taken back. Nothing is sent until somebody looks at her record."),
        }  # fmt: skip
        kind = DeathQuestion.Kind(done.kind)
        messages.success(
            request, words.get((kind, bool(done.agreed)), _("Not agreed: everything stays as it was."))
        )
    return redirect("screening:second-look")
