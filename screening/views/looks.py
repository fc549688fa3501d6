"""Records opened with a reason: the auditor's reviews, and what the manager or auditor did where one was not in order."""

from typing import cast

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from screening.forms.looks import FollowUpForm, ReviewForm, TickedForm
from screening.models import LookReview, ReasonedLook
from screening.services.looks import (
    Told,
    look_follow_up,
    look_review,
    looks_in_order,
    looks_reviewed,
    looks_to_review,
    looks_unanswered,
    may_review,
)
from staff import clock
from staff.errors import RoundbookError
from staff.models import User


def _by(request: HttpRequest) -> User:
    return cast(User, request.user)


def _page(request: HttpRequest, *, form: Form | None = None, asked: str = "") -> HttpResponse:
    """The page, with the form of one row (`asked`) that came back wrong if there is one."""
    by, reviews = _by(request), may_review(_by(request))
    context = {
        "reviews": reviews,
        "waiting": looks_to_review(by=by) if reviews else [],
        "unanswered": looks_unanswered(by=by),
        "reviewed": looks_reviewed(by=by) if reviews else [],
        "form": form,
        "asked": asked,
        "now": clock.now(),
    }
    return render(request, "screening/looks.html", context, status=422 if form else 200)


@require_GET
def looks(request: HttpRequest) -> HttpResponse:
    """What is to be reviewed, what was not in order and has no follow-up yet, and what was reviewed lately."""
    return _page(request)


@require_POST
def in_order(request: HttpRequest) -> HttpResponse:
    """The ticked looks are in order."""
    form = TickedForm(request.POST)
    ids = form.cleaned_data["look"] if form.is_valid() else []
    try:
        told = looks_in_order(by=_by(request), look_ids=ids)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        _tell(request, told)
    return redirect("screening:looks")


def _tell(request: HttpRequest, told: Told) -> None:
    if told.reviewed:
        words = ngettext("%(n)s look is in order.", "%(n)s looks are in order.", told.reviewed)
        messages.success(request, words % {"n": told.reviewed})
    if told.before:
        words = ngettext(
            "%(n)s had been reviewed before; that review stands.",
            "%(n)s had been reviewed before; those reviews stand.",
            told.before,
        )
        messages.info(request, words % {"n": told.before})
    if told.own:
        messages.warning(request, _("Your own look is left to another auditor."))


@require_POST
def review(request: HttpRequest, pk: int) -> HttpResponse:
    """One look judged by itself: not in order with words, or judged again."""
    look = get_object_or_404(ReasonedLook, pk=pk)
    form = ReviewForm(request.POST, auto_id=f"review-{pk}-%s")
    if not form.is_valid():
        return _page(request, form=form, asked=f"review-{pk}")
    given = form.cleaned_data
    try:
        look_review(
            by=_by(request), look=look, in_order=given["verdict"] == "yes", words=given["words"],
            replaces=given["replaces"],
        )  # fmt: skip
    except RoundbookError as error:
        form.add_error(error.data.get("field"), str(error.sentence))
        return _page(request, form=form, asked=f"review-{pk}")
    messages.success(request, _("The review is written."))
    return redirect("screening:looks")


@require_POST
def follow_up(request: HttpRequest, pk: int) -> HttpResponse:
    """What was done about a look that was not in order."""
    found = get_object_or_404(LookReview.objects.select_related("look"), pk=pk)
    form = FollowUpForm(request.POST, auto_id=f"done-{pk}-%s")
    if not form.is_valid():
        return _page(request, form=form, asked=f"done-{pk}")
    try:
        look_follow_up(by=_by(request), review=found, words=form.cleaned_data["words"])
    except RoundbookError as error:
        form.add_error(error.data.get("field"), str(error.sentence))
        return _page(request, form=form, asked=f"done-{pk}")
    messages.success(request, _("Written. The look has left the list."))
    return redirect("screening:looks")
