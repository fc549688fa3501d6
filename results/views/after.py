"""After the examination: the calls due, the surveillance register, and the cancers reported from outside."""

from typing import cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods

from results.cancers import CLASS_WORDS
from results.forms_after import CancerForm
from results.models import CancerReport, NextStep, ReOffer
from results.services.after_examination import calls_due
from results.services.cancers import cancer_report, class_of, classes_of
from results.services.re_offers import re_offer_answer, re_offers_due, re_offers_open
from results.services.referrals_frame import results_policy_on
from results.services.surveillance_register import (
    SOON_DAYS,
    plan_of,
    plans_due,
    plans_standing,
    taken_up,
)
from results.services.surveillance_take_up import (
    plans_to_take_up,
    surveillance_take_up,
    surveillance_take_up_now,
)
from results.views.post_only import post_or_back
from screening.access import people_listed, person_open
from staff import clock
from staff.errors import RoundbookError
from staff.models import User
from staff.models.journal import Purpose
from staff.roles import Role

MOST = 200
PAGE = 50


@require_GET
def after_calls(request: HttpRequest) -> HttpResponse:
    """The calls 14 and 30 days after an examination that nobody has answered yet."""
    today, by = clock.today(), cast(User, request.user)
    with transaction.atomic():
        calls = calls_due(today, most=MOST)
        people_listed(
            by=by,
            person_ids=[one.examination.referral.person_id for one in calls],
            place="results:after-calls",
        )
    return render(request, "results/after_calls.html", {"calls": calls, "now": clock.now()})


@require_GET
def surveillance(request: HttpRequest) -> HttpResponse:
    """The surveillance register; `all` in the address shows the plans of later years too."""
    today, by = clock.today(), cast(User, request.user)
    soon = "all" not in request.GET
    with transaction.atomic():
        page = Paginator(plans_due(today, soon=soon), PAGE).get_page(request.GET.get("page"))
        people_listed(
            by=by, person_ids=[one.referral.person_id for one in page], place="results:surveillance"
        )
    context = {
        "page": page, "plans": [plan_of(one, today) for one in page], "soon": soon, "soon_days": SOON_DAYS,
        "standing": plans_standing().count(), "now": clock.now(), "falling_due": plans_to_take_up().count(),
        "ahead": results_policy_on(today).surveillance_days_before, "taken_up": taken_up().count(),
    }  # fmt: skip
    return render(request, "results/surveillance.html", context)


@post_or_back("results:surveillance")
def surveillance_begin(request: HttpRequest) -> HttpResponse:
    """Take one plan up, or all that fall due: each becomes a referral in the queue."""
    by, asked = cast(User, request.user), request.POST.get("plan", "")
    if not asked:
        count = surveillance_take_up(by=by)
        words = ngettext("%(n)s plan was taken up.", "%(n)s plans were taken up.", count)
        messages.success(request, words % {"n": count})
        return redirect("results:surveillance")
    plan = get_object_or_404(NextStep, pk=int(asked) if asked.isdigit() else 0)
    try:
        made = surveillance_take_up_now(by=by, plan=plan)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("results:surveillance")
    messages.success(request, _("The plan is taken up: call the person and invite them."))
    return redirect("results:referral", pk=made.pk)


@require_GET
def re_offers(request: HttpRequest) -> HttpResponse:
    """Refusals and people who could not be reached, whose day of offering it again has come; `all` shows later ones too."""
    today, by = clock.today(), cast(User, request.user)
    due_only = "all" not in request.GET
    with transaction.atomic():
        rows = re_offers_due(today) if due_only else re_offers_open()
        page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
        people_listed(by=by, person_ids=[one.referral.person_id for one in page], place="results:re-offers")
    context = {
        "page": page, "due_only": due_only, "standing": re_offers_open().count(), "due": re_offers_due(today).count(),
        "now": clock.now(), "today": today,
    }  # fmt: skip
    return render(request, "results/re_offers.html", context)


@post_or_back("results:re-offers")
def re_offer_done(request: HttpRequest, pk: int) -> HttpResponse:
    """One tap: what came of offering it again."""
    row = get_object_or_404(ReOffer.objects.select_related("referral__person"), pk=pk)
    answer = request.POST.get("answer", "")
    try:
        re_offer_answer(
            by=cast(User, request.user), re_offer=row, answer=answer, note=request.POST.get("note", "")[:500]
        )
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("results:re-offers")
    if answer == ReOffer.Answer.WANTS:
        messages.success(request, _("Opened again: assess the person next."))
        return redirect("results:referral", pk=row.referral_id)
    messages.success(request, _("Recorded."))
    return redirect("results:re-offers")


@require_http_methods(["GET", "POST"])
def cancers(request: HttpRequest) -> HttpResponse:
    """Cancers reported from outside, each with its class, and the form for another."""
    by = cast(User, request.user)
    readers = User.objects.colleagues(Role.COORDINATOR, Role.CLINICIAN).exclude(pk=by.pk)
    form = CancerForm(request.POST or None, readers=readers)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        names = (
            "diagnosed_on",
            "origin",
            "stage",
            "treatment_on",
            "source",
            "document",
            "second_reader",
            "words",
        )
        try:
            with transaction.atomic():
                person_open(
                    by=by, person_id=data["person"].pk, purpose=Purpose.CHECK, place="results:cancers"
                )
                made = cancer_report(
                    by=by, person=data["person"], link_certain=not data["uncertain"],
                    **{name: data[name] for name in names},
                )  # fmt: skip
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            messages.success(request, _("Recorded: %(what)s.") % {"what": CLASS_WORDS[class_of(made)]})
            return redirect("results:cancers")
    with transaction.atomic():
        found = CancerReport.objects.select_related("person", "entered_by", "second_reader").order_by("-pk")
        page = Paginator(found, PAGE).get_page(request.GET.get("page"))
        people_listed(by=by, person_ids=[one.person_id for one in page], place="results:cancers")
    classes = classes_of(list(page))
    rows = [(one, CLASS_WORDS[classes[one.pk]]) for one in page]
    context = {"form": form, "page": page, "rows": rows, "now": clock.now()}
    return render(request, "results/cancers.html", context, status=422 if form.errors else 200)
