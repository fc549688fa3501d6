"""Release results: the summary first, those at or above one by one, those below in one go, and a person's results."""

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from results.classify import Side
from results.forms_lab import DecideForm
from results.models import Result, Run, Sample
from results.services.authorise import (
    candidate_for,
    result_release_at_or_above,
    result_release_below,
    results_release_below,
    sample_not_needed,
    sample_retest,
)
from results.services.authorise_facts import Candidate, candidates
from results.services.of_person import referrals_of, results_of
from results.services.referrals_frame import FOLLOWERS, results_policy_on
from results.services.samples import samples_take_in
from results.states import REFERRAL
from results.views.lab_request import actor, refuse
from screening.access import person_open, reason_owed
from screening.months import add_months
from screening.services.policies import policy_on
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models.journal import Purpose
from staff.roles import Role

MOST = 5000
JUST_NOW = 50
CHOICES = {
    "at_or_above": gettext_lazy("release it as at or above, with a referral"),
    "below": gettext_lazy("release it as below"),
    "retest": gettext_lazy("measure it again"),
    "not_needed": gettext_lazy("make no result of it: another one stands, or its kit was rejected"),
}


@require_GET
def release(request: HttpRequest) -> HttpResponse:
    """What is ready, what a person must look at, and what is held, shown apart."""
    samples_take_in(by=actor(request))
    ids = Sample.objects.filter(state="ready_to_authorise").order_by("pk").values_list("pk", flat=True)[:MOST]
    found = candidates(list(ids))
    high = [one for one in found if one.side is Side.AT_OR_ABOVE]
    context = {
        "total": len(found),
        "high": sorted(high, key=lambda one: one.classed.outcome.exact, reverse=True),
        "day": _day_share(found),
        "clear": sum(one.clear_below for one in found),
        "apart": [one for one in found if one.side is not Side.AT_OR_ABOVE and not one.clear_below],
        "held": Sample.objects.filter(state="held").count(),
        "held_runs": Run.objects.filter(status=Run.Status.HELD, resolution="").select_related("analyser"),
        "open_runs": Run.objects.filter(status=Run.Status.OPEN).select_related("analyser"),
        "oldest": _oldest(found),
        "before": _before(),
        "just_now": _just_now(),
        "now": clock.now(),
    }
    return render(request, "results/release.html", context)


def _day_share(found: list[Candidate]) -> dict[str, Any]:
    """The share at or above of one day's readings, released or not: of the latest day on which any of these was analysed."""
    day = max([one.fact.analysed_on for one in found], default=clock.today())
    told = Result.objects.filter(is_current=True, analysed_on=day)
    here = [one for one in found if one.fact.analysed_on == day]
    n = told.count() + len(here)
    high = told.filter(side=Side.AT_OR_ABOVE.value).count()
    high += sum(one.side is Side.AT_OR_ABOVE for one in here)
    return {"on": day, "n": n, "percent": 100 * high / n if n else None}


def _oldest(found: list[Candidate]) -> int | None:
    days = [clock.days_between(one.fact.collected_earliest, one.fact.analysed_on) for one in found]
    return max(days, default=None)


def _just_now() -> dict[str, Any]:
    """What was released within the protocol's minutes of grace: no letter of it has been produced yet."""
    minutes = results_policy_on(clock.today()).letter_hold_minutes
    since = clock.now() - timedelta(minutes=minutes)
    rows = Result.objects.filter(is_current=True, authorised_at__gt=since).select_related(
        "sample", "authorised_by"
    )
    return {
        "minutes": minutes,
        "rows": list(rows.order_by("-authorised_at", "-pk")[:JUST_NOW]),
        "total": rows.count(),
    }


def _before() -> dict[str, Any]:
    """The share at or above among the results of the last 90 days, to compare today's with."""
    since = clock.today().fromordinal(clock.today().toordinal() - 90)
    told = Result.objects.filter(is_current=True, authorised_on__gte=since).aggregate(
        n=Count("pk"), high=Count("pk", filter=Q(side=Side.AT_OR_ABOVE.value))
    )
    return told | {"percent": 100 * told["high"] / told["n"] if told["n"] else None}


@require_POST
def release_below(request: HttpRequest) -> HttpResponse:
    """The one button for everything below that nothing stands in the way of."""
    released = results_release_below(by=actor(request))
    told = ngettext("%(n)s result below was released.", "%(n)s results below were released.", released)
    messages.success(request, told % {"n": released})
    return redirect("results:release")


@require_http_methods(["GET", "POST"])
def release_one(request: HttpRequest, pk: int) -> HttpResponse:
    """One sample with everything that decides it, what happens next, and the decision."""
    sample = get_object_or_404(Sample.objects.select_related("round", "person", "return_of"), pk=pk)
    try:
        with transaction.atomic():
            by, place = actor(request), "results:release-one"
            person = person_open(by=by, person_id=sample.person_id, purpose=Purpose.WORKLIST, place=place)
            candidate = candidate_for(sample)
            earlier, referrals = results_of(person), referrals_of(person)
    except RoundbookError as error:
        refuse(request, error)
        return redirect("results:release")
    form = _decide_form(request, candidate, earlier)
    if request.method == "POST" and (form is None or form.is_valid()) and _decide(request, sample, form):
        return redirect("results:release")
    context = {
        "sample": sample,
        "one": candidate,
        "earlier": earlier,
        "referrals": [(one, REFERRAL.label(one.state)) for one in referrals[:3]],
        "next_round": add_months(clock.today(), policy_on(clock.today()).interval_months),
        "form": form,
        "high": Side.AT_OR_ABOVE.value,
        "stands_because": _stands_because(candidate),
    }
    return render(request, "results/release_one.html", context, status=422 if form and form.errors else 200)


def _stands_because(candidate: Candidate) -> str:
    """Why the readings of a held run were let stand, in the words of the two people who decided it."""
    found = Run.objects.filter(pk=candidate.fact.run_id, status=Run.Status.RESOLVED)
    return found.values_list("resolution", flat=True).first() or ""


def _decide_form(request: HttpRequest, candidate: Candidate, earlier: list[Result]) -> DecideForm | None:
    """None when the only decision is to release it as at or above, which needs no words."""
    if candidate.side is Side.AT_OR_ABOVE:
        return None
    final = any(one.final for one in candidate.obstacles)
    stands = any(r.round_id == candidate.fact.round_id and r.side == Side.AT_OR_ABOVE.value for r in earlier)
    allowed = {
        "at_or_above": candidate.side is Side.NEEDS_PERSON,
        "below": not final,
        "retest": True,
        "not_needed": (stands or candidate.fact.return_state != "ready") and candidate.side is Side.BELOW,
    }
    return DecideForm(
        request.POST or None,
        choices=[(key, CHOICES[key]) for key, may in allowed.items() if may],
        ask_clinician=any(one.code == "earlier_result_open" for one in candidate.obstacles),
    )


def _decide(request: HttpRequest, sample: Sample, form: DecideForm | None) -> bool:
    """Do what was decided; False with the refusal on the form or at the top of the page."""
    by = actor(request)
    facts: dict[str, Any] = form.cleaned_data if form else {"what": "at_or_above", "reason": ""}
    what, reason = facts["what"], facts["reason"]
    try:
        if what == "at_or_above":
            result_release_at_or_above(by=by, sample=sample, reason=reason)
            messages.success(
                request, _("Released as at or above. Its referral is on the coordinators' list.")
            )
        elif what == "below":
            result_release_below(by=by, sample=sample, reason=reason, clinician=facts.get("clinician"))
            messages.success(request, _("Released as below."))
        elif what == "retest":
            sample_retest(by=by, sample=sample, reason=reason)
            messages.success(request, _("It is back on the bench queue."))
        else:
            sample_not_needed(by=by, sample=sample, reason=reason)
            messages.success(request, _("No result was made of it."))
    except RoundbookError as error:
        if form is None:
            refuse(request, error)
        else:
            form.add_error(None, str(error.sentence))
        return False
    return True


@require_GET
def person_panel(request: HttpRequest, person_id: int) -> HttpResponse:
    """A person's results, newest first, for the pages about that person; outside one's lists only with a reason.

    The laboratory knows people by their samples and has no page of a person to give a reason on.
    """
    by = actor(request)
    if not user_holds(by, (Role.LABORATORY,)) and reason_owed(by=by, person_id=person_id):
        return redirect("screening:person", pk=person_id)
    with transaction.atomic():
        person = person_open(by=by, person_id=person_id, purpose=Purpose.CHECK, place="results:person-panel")
        context = {
            "results": results_of(person),
            "referrals": referrals_of(person),
            "may_follow": user_holds(by, FOLLOWERS),
        }
    return render(request, "results/_lab_person_panel.html", context)
