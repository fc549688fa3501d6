"""The page of one referral: its story, its clocks, and the one form that is needed now."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from results.forms_referral import BookForm, ReferralForm
from results.models import Referral
from results.referral_changes import Change, assessment_changes, changes_since
from results.referral_story import move_sentence, said
from results.services.referrals_frame import results_policy_on
from results.states import REFERRAL
from results.views.post_only import post_or_back
from results.views.referral_acts import ACTS, Act
from results.views.referral_facts import page_facts
from screening.access import person_open
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from staff.models import User
from staff.models.journal import Purpose


@dataclass
class Shown:
    """An act with its form, as the page draws it."""

    act: Act
    form: ReferralForm
    open: bool = False


@require_GET
def referral(request: HttpRequest, pk: int) -> HttpResponse:
    """The page, journalled."""
    return _page(request, pk)


@post_or_back("results:referral", of_record=True)
def referral_do(request: HttpRequest, pk: int, slug: str) -> HttpResponse:
    """Record one thing; what cannot be recorded comes back with words and everything that was typed."""
    act, user = ACTS.get(slug), request.user
    if act is None or not isinstance(user, User):
        raise Http404(slug)
    found = get_object_or_404(Referral.objects.select_related("person", "owner"), pk=pk)
    if not act.may(user):
        raise NotAllowed(
            "role_missing", _("Only a clinician can do this. Hand the referral to the clinicians.")
        )
    form = make_form(act, found, user, request.POST)
    if not form.is_valid():
        return _page(request, pk, answered=Shown(act, form, open=True), status=422)
    try:
        act.run(user, found, form.cleaned_data)
    except RoundbookError as error:
        return _refused(request, found, Shown(act, form, open=True), error)
    messages.success(request, _done(act, found))
    return redirect(_back(request, pk))


def make_form(act: Act, found: Referral, user: User, data: Any = None) -> ReferralForm:
    """The form of an act, bound when data are given."""
    more = {"promise_days": results_policy_on(clock.today()).examination_days} if act.form is BookForm else {}
    given: dict[str, Any] = {
        "referral": found,
        "user": user,
        "today": clock.today(),
        "prefix": act.slug,
    } | more
    return act.form(data, **given) if data is not None else act.form(**given)


def _done(act: Act, found: Referral) -> str:
    found.refresh_from_db()
    if found.state == "closed":
        return _("Recorded. The referral is closed.")
    return _("Recorded. Now needed: %(need)s. Next date: %(day)s.") % {
        "need": REFERRAL.label(found.state),
        "day": said(found.due_on) if found.due_on else "",
    }


def _back(request: HttpRequest, pk: int) -> str:
    asked = request.POST.get("next", "")
    if asked.startswith("/") and url_has_allowed_host_and_scheme(asked, allowed_hosts=None):
        return asked
    return reverse("results:referral", args=[pk])


def _refused(request: HttpRequest, found: Referral, shown: Shown, error: RoundbookError) -> HttpResponse:
    if isinstance(error, NotAllowed):
        raise error
    if request.POST.get("next"):
        messages.error(request, str(error.sentence))
        return redirect(_back(request, found.pk))
    changed: list[str] = []
    fields: list[Change] = []
    if error.code == "stale":
        moves = (
            found.moves.select_related("actor", "owner").filter(seq__gt=error.data["seen"]).order_by("seq")
        )
        changed = [f"{said(m.occurred_at)}, {m.actor.full_name}: {move_sentence(m)}" for m in moves]
        fields = changes_since(found, error.data["seen"], shown.form.cleaned_data)
        if shown.act.slug == "assess":
            fields += assessment_changes(found, error.data["seen"], shown.form.cleaned_data)
        shown.form = with_new_seq(shown, found, request)
    shown.form.add_error(None, str(error.sentence))
    return _page(request, found.pk, answered=shown, status=error.status, changed=changed, fields=fields)


def with_new_seq(shown: Shown, found: Referral, request: HttpRequest) -> ReferralForm:
    """The same form with what was typed, now knowing the latest move, so that it can be sent again knowingly."""
    found.refresh_from_db()
    data = request.POST.copy()
    data[f"{shown.act.slug}-seen"] = str(found.last_seq)
    form = make_form(shown.act, found, shown.form.user, data)
    form.full_clean()
    return form


def _page(
    request: HttpRequest, pk: int, *, answered: Shown | None = None, status: int = 200, changed: list[str] | None = None,
    fields: list[Change] | None = None,
) -> HttpResponse:  # fmt: skip
    user = request.user
    assert isinstance(user, User)  # noqa: S101 - the route guard lets nobody else in
    with transaction.atomic():
        found = get_object_or_404(Referral.objects.select_related("person__area", "owner"), pk=pk)
        person_open(by=user, person_id=found.person_id, purpose=Purpose.WORKLIST, place="referral")
        facts = page_facts(found, user)
    now = [_shown(act, found, user, answered) for act in facts.acts_now]
    rest = [_shown(act, found, user, answered) for act in facts.acts_else]
    if answered and answered.act.slug not in {one.act.slug for one in [*now, *rest]}:
        now.insert(0, answered)
    context = {"facts": facts, "referral": found, "now": now, "rest": rest}
    context |= {"changed": changed or [], "fields": fields or []}
    context["side_by_side"] = len(now) > 1 and not any(one.form.in_columns for one in now)
    return render(request, "results/referral.html", context, status=status)


def _shown(act: Act, found: Referral, user: User, answered: Shown | None) -> Shown:
    if answered and answered.act.slug == act.slug:
        return answered
    return Shown(act, make_form(act, found, user))
