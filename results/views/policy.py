"""Change follow-up: what is in force, what is proposed and what it would mean, and the form of another proposal."""

from dataclasses import dataclass
from typing import Any, cast

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from results.forms_policy import PolicyForm
from results.models import ResultsPolicy
from results.policy_effects import effects
from results.services import follow_up_policy as policies
from results.services.guideline_review import MOST_AT_ONCE, plans_sign_anew, plans_to_sign_anew
from results.services.referrals_frame import results_policy_on
from screening.access import people_listed
from staff import clock
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role


@dataclass(frozen=True)
class Line:
    """One item of a policy: as it was and as it would be."""

    label: str
    before: str
    after: str


def _shown(policy: ResultsPolicy, name: str) -> str:
    value = getattr(policy, name)
    if isinstance(value, bool):
        return str(_("yes") if value else _("no"))
    display = getattr(policy, f"get_{name}_display", None)
    return str(display() if display else value)


def lines(old: ResultsPolicy | None, new: ResultsPolicy) -> list[Line]:
    """What differs between two policies, or (without an old one) everything of the new one."""
    found = []
    for name in policies.CHANGEABLE:
        if old is None or getattr(old, name) != getattr(new, name):
            label = str(ResultsPolicy._meta.get_field(name).verbose_name)  # type: ignore[union-attr]
            found.append(Line(label, _shown(old, name) if old else "", _shown(new, name)))
    return found


@require_http_methods(["GET", "POST"])
def follow_up_policy(request: HttpRequest) -> HttpResponse:
    """The page, and a new proposal."""
    today, by = clock.today(), cast(User, request.user)
    now = policies.policy_basis(today)
    form = PolicyForm(request.POST or None, today=today, initial=policies.policy_values(now))
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        values = {name: data[name] for name in policies.CHANGEABLE}
        try:
            policies.policy_propose(by=by, valid_from=data["valid_from"], values=values, why=data["why"])
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            messages.success(request, _("Proposed. It counts when a second person has confirmed it."))
            return redirect("results:follow-up-policy")
    proposed = [
        {"policy": one, "lines": lines(one.based_on, one), "effects": effects(one.based_on or now, one, today),
         "mine": one.protocol.proposed_by_id == by.pk, "late": one.protocol.valid_from <= today}
        for one in policies.policies_proposed()
    ]  # fmt: skip
    approved = list(policies.policies_approved()[:40])
    context: dict[str, Any] = {
        "now": now, "lines": lines(None, now), "form": form, "proposed": proposed, "today": today,
        "perms_plans": Role.CLINICIAN in by.roles,
        "approved": [_approved(one) for one in approved],
    }  # fmt: skip
    return render(request, "results/follow_up_policy.html", context, status=422 if form.errors else 200)


def _approved(one: ResultsPolicy) -> dict[str, Any]:
    old = one.based_on
    changed = old is not None and (old.guideline, old.villous_counts) != (one.guideline, one.villous_counts)
    return {"policy": one, "lines": lines(old, one) if old else [], "guideline_changed": changed}


@require_http_methods(["GET", "POST"])
def follow_up_policy_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Confirm somebody else's proposal, or take one back; opened by hand it leads to the list."""
    if request.method == "GET":
        return redirect("results:follow-up-policy")
    policy = get_object_or_404(ResultsPolicy, pk=pk)
    by = cast(User, request.user)
    try:
        if request.POST.get("do") == "withdraw":
            policies.policy_withdraw(by=by, policy=policy)
            messages.success(request, _("Taken back. It stays in the history."))
        else:
            policies.policy_approve(by=by, policy=policy)
            messages.success(request, _("Confirmed: it is in force from its day on."))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    return redirect("results:follow-up-policy")


@require_http_methods(["GET", "POST"])
def follow_up_policy_plans(request: HttpRequest, pk: int) -> HttpResponse:
    """The standing plans that a policy's guideline would have proposed otherwise: a dry run until it is in force; then a
    clinician signs the new days of those chosen."""
    policy, by = (
        get_object_or_404(ResultsPolicy.objects.select_related("protocol", "based_on"), pk=pk),
        cast(User, request.user),
    )
    if request.method == "POST":
        chosen = {int(text) for text in request.POST.getlist("plan") if text.isdigit()}
        try:
            signed = plans_sign_anew(
                by=by, policy=policy, plan_ids=chosen, words=request.POST.get("words", "")
            )
        except RoundbookError as error:
            messages.error(request, str(error.sentence))
        else:
            words = ngettext("%(n)s plan was signed anew.", "%(n)s plans were signed anew.", signed.done)
            messages.success(request, words % {"n": signed.done})
            for line in signed.left:
                messages.warning(request, line)
        return redirect("results:follow-up-policy-plans", pk=pk)
    with transaction.atomic():
        differ = plans_to_sign_anew(policy)
        people_listed(
            by=by, person_ids=[one.plan.referral.person_id for one in differ], place="changed guideline"
        )
    now = results_policy_on(clock.today())
    in_force = (now.guideline, now.villous_counts) == (policy.guideline, policy.villous_counts)
    context = {
        "policy": policy, "differ": differ, "in_force": in_force, "now": clock.now(),
        "most": MOST_AT_ONCE, "movable": sum(1 for one in differ if one.on),
    }  # fmt: skip
    return render(request, "results/follow_up_policy_plans.html", context)
