"""Change the programme safely: the protocols, a proposal, its effect on the real data, and its approval."""

from typing import Any, cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.forms.protocols import ProposalForm
from screening.models import Protocol
from screening.services.policies import policy_last, policy_on
from screening.services.protocols import (
    effect_is_void,
    policy_differences,
    policy_words,
    protocol_approve,
    protocol_before,
    protocol_effect,
    protocol_propose,
    protocol_withdraw,
)
from staff import clock
from staff.errors import RoundbookError
from staff.models import User

KINDS = {
    "newly": gettext_lazy("get a date for the first time"),
    "no_longer": gettext_lazy("lose their date"),
    "earlier": gettext_lazy("are due earlier"),
    "later": gettext_lazy("are due later"),
}


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


def _state(protocol: Protocol) -> tuple[str, str]:
    today = clock.today()
    if protocol.withdrawn_at:
        return _("taken back"), "quiet"
    if protocol.approved_by_id is None:
        return _("draft"), "note"
    if protocol.valid_from > today:
        return _("approved, begins on its day"), "note"
    if protocol.valid_to is not None and protocol.valid_to <= today:
        return _("over"), "quiet"
    return _("in force"), "ok"


@require_http_methods(["GET", "POST"])
def protocols(request: HttpRequest) -> HttpResponse:
    """All protocols, and the form that proposes another: filled from the last one approved, which may begin later."""
    base = policy_on(clock.today())
    last = policy_last() or base
    form = ProposalForm(request.POST if request.method == "POST" else None, base=last)
    if request.method == "POST" and form.is_valid():
        facts = {name: form.cleaned_data[name] for name in ("name", "valid_from", "reason")}
        try:
            protocol = protocol_propose(by=actor(request), values=form.values(), **facts)
        except RoundbookError as error:
            for problem in error.data.get("problems", []):
                form.add_error(problem.field if problem.field in form.fields else None, str(problem.sentence))
            if not form.errors:
                form.add_error(None, str(error.sentence))
        else:
            protocol_effect(by=actor(request), protocol=protocol)
            messages.success(
                request, _("The draft is written. Look at what it would do; a second person approves it.")
            )
            return redirect("screening:protocol", pk=protocol.pk)
    found = (
        Protocol.objects.filter(carries_screening=True)
        .select_related("proposed_by", "approved_by")
        .order_by("-valid_from", "-pk")
    )
    context = {
        "form": form,
        "rows": [(p, *_state(p)) for p in found],
        "base": base,
        "last": last,
        "facts": policy_words(base),
    }
    return render(request, "screening/protocols.html", context, status=422 if form.errors else 200)


@require_GET
def protocol(request: HttpRequest, pk: int) -> HttpResponse:
    """One protocol: what it changes, what it would do, and who decides."""
    protocol = get_object_or_404(
        Protocol.objects.select_related("proposed_by", "approved_by", "screening"), pk=pk
    )
    base = protocol_before(protocol)
    word, tone = _state(protocol)
    draft = protocol.approved_by_id is None and protocol.withdrawn_at is None
    context: dict[str, Any] = {
        "protocol": protocol,
        "word": word,
        "tone": tone,
        "draft": draft,
        "may_approve": draft and protocol.proposed_by_id != actor(request).pk,
        "differences": policy_differences(protocol.screening, base) if base else [],
        "base": base,
        "void": draft and effect_is_void(protocol),
    } | _effect(protocol.effect)
    return render(request, "screening/protocol.html", context)


def _effect(effect: dict[str, Any]) -> dict[str, Any]:
    if not effect:
        return {"effect": None}
    months = sorted({*effect["months_before"], *effect["months_after"]})
    return {
        "effect": effect,
        "moved": [(KINDS[k], effect[k]) for k in KINDS if effect[k]],
        "months": [(m, effect["months_before"].get(m, 0), effect["months_after"].get(m, 0)) for m in months],
        "examples": [(KINDS[kind], pk, now, then) for kind, pk, now, then, _code in effect["examples"]],
    }


@require_POST
def protocol_look(request: HttpRequest, pk: int) -> HttpResponse:
    """Count the effect again on the data as they are."""
    protocol = get_object_or_404(
        Protocol.objects.select_related("screening"), pk=pk, approved_by=None, carries_screening=True
    )
    protocol_effect(by=actor(request), protocol=protocol)
    messages.success(request, _("Counted anew."))
    return redirect("screening:protocol", pk=pk)


@require_POST
def protocol_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Approve a draft or take it back."""
    protocol = get_object_or_404(Protocol, pk=pk, carries_screening=True)
    try:
        if "withdraw" in request.POST:
            protocol_withdraw(by=actor(request), protocol=protocol)
            messages.success(request, _("The draft was taken back."))
        else:
            done = protocol_approve(by=actor(request), protocol=protocol)
            words = _("Approved. It is in force from %(day)s.")
            messages.success(request, words % {"day": f"{done.valid_from:%-d %B %Y}"})
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    return redirect("screening:protocol", pk=pk)
