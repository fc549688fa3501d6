"""Look-backs, and changing a released result: amendments and withdrawals."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from results.forms_changes import ActForm, AmendForm, CloseForm, KindForm, LookBackForm, SecondForm
from results.models import InboxLine, LookBack, LookBackRow, Referral, Result
from results.services.asked_second import Question, questions_open
from results.services.authorise_amend import result_amend, result_withdraw
from results.services.look_back import (
    doubts_without_look_back,
    look_back_act,
    look_back_close,
    look_back_open,
    look_back_progress,
    look_back_refresh,
    look_back_widen,
)
from results.services.of_person import results_of
from results.states import REFERRAL, SAMPLE
from results.views.lab_request import actor, asked_elsewhere, refuse, second_signs
from screening.access import person_open
from screening.models import Kit
from screening.serials import SerialError, serial_read
from screening.states import KIT, ROUND
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models.journal import Purpose

PAGE = 200


@require_GET
def look_backs(request: HttpRequest) -> HttpResponse:
    """Open look-backs with their progress, then the closed ones."""
    rows = LookBack.objects.select_related(
        "opened_by",
        "kit_lot",
        "lab_lot",
        "control_lot",
        "run__analyser",
        "analyser",
        "delivery__site",
        "kit_doubt",
    )
    new = reverse("results:look-back-new")
    context = {
        "open": [(row, look_back_progress(row)) for row in rows.filter(closed_at__isnull=True)],
        "closed": [(row, look_back_progress(row)) for row in rows.filter(closed_at__isnull=False)[:30]],
        "doubts": [(one, f"{new}?kind=kit_doubt&ref={one.pk}") for one in doubts_without_look_back()],
        "now": clock.now(),
    }
    return render(request, "results/look_backs.html", context)


@require_http_methods(["GET", "POST"])
def look_back_new(request: HttpRequest) -> HttpResponse:
    """Choose what is in doubt, then the very lot, run, hours or delivery."""
    kind = request.GET.get("kind", "")
    if kind not in LookBack.Kind.values:
        return render(request, "results/look_back_new.html", {"kinds": KindForm(), "form": None})
    initial = {"ref": request.GET.get("ref")}
    form = LookBackForm(request.POST or None, kind=kind, initial=initial)
    if request.method == "POST" and form.is_valid():
        facts = form.cleaned_data
        hours = (facts["from_at"], facts["until_at"]) if kind == "hours" else None
        try:
            made = look_back_open(
                by=actor(request), kind=kind, ref=facts["ref"].pk, reason=facts["reason"], hours=hours
            )
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            return redirect("results:look-back", pk=made.pk)
    context = {"kinds": KindForm(initial={"kind": kind}), "form": form, "kind": kind}
    return render(request, "results/look_back_new.html", context, status=422 if form.errors else 200)


def _look_back(pk: int) -> LookBack:
    return get_object_or_404(
        LookBack.objects.select_related(
            "opened_by", "closed_by", "kit_lot", "lab_lot", "control_lot", "run__analyser", "analyser", "delivery__site",
            "kit_doubt",
        ), pk=pk,
    )  # fmt: skip


@require_GET
def look_back(request: HttpRequest, pk: int) -> HttpResponse:
    """One look-back: progress, its rows, and what is done about them."""
    return _look_back_page(request, _look_back(pk))


def _look_back_page(request: HttpRequest, found: LookBack, **forms: Any) -> HttpResponse:
    by = actor(request)
    if found.closed_at is None:
        with acting(by):
            look_back_widen(found)
            look_back_refresh(by=by, look_back=found)
    rows = LookBackRow.objects.filter(look_back=found).select_related(
        "sample__person", "sample__round", "result"
    )
    page = Paginator(rows.order_by("settled_at", "-result__side", "pk"), PAGE).get_page(
        request.GET.get("page")
    )
    context = {
        "found": found,
        "progress": look_back_progress(found),
        "page": page,
        "rows": [(row, SAMPLE.label(row.sample.state)) for row in page],
        "still_out": _still_out(found),
        "act_form": forms.get("act") or ActForm(by=by),
        "close_form": forms.get("close") or CloseForm(),
        "undecided": rows.filter(action="").exclude(result__side="at_or_above").count(),
    }
    return render(request, "results/look_back.html", context, status=422 if forms else 200)


def _still_out(found: LookBack) -> dict[str, Any] | None:
    """For a lot of kits: those that are still with people or in stock, which the look-back will reach once they are back."""
    if found.kit_lot_id is None:
        return None
    kits = Kit.objects.filter(lot_id=found.kit_lot_id).exclude(state="returned")
    out = kits.filter(state="dispatched", void_on__isnull=True).select_related("round__person")
    counts = dict(kits.values_list("state").annotate(n=Count("pk")).order_by())
    return {
        "lot": found.kit_lot,
        "counts": [(KIT.label(state), n) for state, n in sorted(counts.items())],
        "kits": list(out.order_by("dispatched_on", "pk")[:PAGE]),
        "total": out.count(),
    }


def _chosen_rows(request: HttpRequest, found: LookBack) -> list[int]:
    """The rows ticked, or every undecided one."""
    if request.POST.get("all"):
        return list(LookBackRow.objects.filter(look_back=found, action="").values_list("pk", flat=True))
    return [int(text) for text in request.POST.getlist("row") if text.isdigit()]


@require_POST
def look_back_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Decide about the chosen rows, or about every undecided one."""
    found = _look_back(pk)
    form = ActForm(request.POST, by=actor(request))
    if not form.is_valid():
        return _look_back_page(request, found, act=form)
    facts, ids = form.cleaned_data, _chosen_rows(request, found)
    if facts["elsewhere"]:
        changeable = LookBackRow.objects.filter(pk__in=ids).exclude(result__side="at_or_above")
        rows = tuple(changeable.values_list("pk", flat=True))
        question = Question("look_back", facts["reason"], look_back=found, chosen=facts["action"], rows=rows)
        if not asked_elsewhere(request, form, question):
            return _look_back_page(request, found, act=form)
        return redirect("results:look-back", pk=pk)
    if not second_signs(request, form):
        return _look_back_page(request, found, act=form)
    try:
        done = look_back_act(
            by=actor(request), look_back=found, row_ids=ids, action=facts["action"], words=facts["reason"],
            second=facts["second"],
        )  # fmt: skip
    except RoundbookError as error:
        refuse(request, error)
    else:
        messages.success(request, _("%(n)s samples were decided.") % {"n": done})
        if done < len(ids):
            messages.warning(
                request,
                _("%(n)s with a result at or above were left: each is changed one by one, with a clinician.")
                % {"n": len(ids) - done},
            )
    return redirect("results:look-back", pk=pk)


@require_POST
def look_back_end(request: HttpRequest, pk: int) -> HttpResponse:
    """Close a look-back."""
    found = _look_back(pk)
    form = CloseForm(request.POST)
    if not form.is_valid():
        return _look_back_page(request, found, close=form)
    try:
        look_back_close(by=actor(request), look_back=found, words=form.cleaned_data["words"])
    except RoundbookError as error:
        refuse(request, error)
    else:
        messages.success(request, _("The look-back is closed."))
    return redirect("results:look-back", pk=pk)


@require_GET
def changes(request: HttpRequest) -> HttpResponse:
    """Find a released result by the kit's serial; corrected readings that wait; what was changed lately."""
    text, found = request.GET.get("serial", "").strip(), None
    if text:
        try:
            serial = serial_read(text)
        except SerialError as error:
            messages.error(request, str(error.sentence))
        else:
            found = Result.objects.filter(sample__serial=serial, is_current=True).first()
            if found is not None:
                return redirect("results:change", pk=found.pk)
            messages.warning(request, _("No released result of %(serial)s stands.") % {"serial": serial})
    corrected = InboxLine.objects.filter(verdict__in=["corrected", "cancelled"], settled_note="").order_by(
        "at"
    )
    lately = (
        Result.objects.exclude(version=1, is_current=True).select_related("sample", "authorised_by").order_by("-authorised_at")
    )  # fmt: skip
    context = {"serial": text, "corrected": corrected[:100], "lately": lately[:50], "now": clock.now()}
    return render(request, "results/changes.html", context)


@require_http_methods(["GET", "POST"])
def change(request: HttpRequest, pk: int) -> HttpResponse:
    """One released result: its versions, its readings and letters, and making the next version or taking it back."""
    result = get_object_or_404(Result.objects.select_related("sample", "round", "rule"), pk=pk)
    by, what = actor(request), request.POST.get("what", "")
    with transaction.atomic():
        person = person_open(
            by=by, person_id=result.person_id, purpose=Purpose.WORKLIST, place="results:change"
        )
        history = results_of(person)
    amend = AmendForm(request.POST if what == "amend" else None, by=by, result=result, prefix="amend")
    withdraw = SecondForm(request.POST if what == "withdraw" else None, by=by, prefix="withdraw")
    made = None
    if request.method == "POST":
        chosen = amend if what == "amend" else withdraw
        valid = chosen.is_valid()
        if valid and chosen.cleaned_data["elsewhere"]:
            if asked_elsewhere(request, chosen, _question(result, what, chosen)):
                return redirect("results:change", pk=pk)
        elif valid and second_signs(request, chosen):
            made = _changed(by, result, what, chosen)
        if made is not None:
            messages.success(request, _words_after(result, made))
            return redirect("results:change", pk=made.pk)
    referral = Referral.objects.filter(calls__result__sample=result.sample_id).order_by("-pk").first()
    context = {
        "result": result,
        "round_words": ROUND.label(result.round.state),
        "versions": result.sample.results.select_related("authorised_by").order_by("-version"),
        "readings": result.sample.readings.select_related("run__analyser").order_by("-pk"),
        "history": [one for one in history if one.sample_id != result.sample_id],
        "referral_words": REFERRAL.label(referral.state) if referral else "",
        "asked": questions_open().filter(result=result).first(),
        "amend_form": amend,
        "withdraw_form": withdraw,
    }
    wrong = amend.errors or withdraw.errors
    return render(request, "results/change.html", context, status=422 if wrong else 200)


def _question(result: Result, what: str, form: SecondForm) -> Question:
    kind = "amend" if what == "amend" else "withdraw"
    return Question(
        kind, form.cleaned_data["reason"], result=result, reading=form.cleaned_data.get("reading")
    )


def _changed(by: Any, result: Result, what: str, form: SecondForm) -> Result | None:
    facts = form.cleaned_data
    try:
        if what == "amend":
            return result_amend(
                by=by, result=result, reason=facts["reason"], second=facts["second"], reading=facts["reading"]
            )
        return result_withdraw(by=by, result=result, reason=facts["reason"], second=facts["second"])
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return None


def _words_after(before: Result, made: Result) -> str:
    if not made.is_current:
        return _("The result was taken back. Its sample is on the bench queue, and letters that have not left are held back.")  # fmt: skip
    if before.side == "below" and made.side == "at_or_above":
        return _(
            "Amended to at or above. Ring first, by the next working day: the letter waits for that call, and the referral"
            " is on the coordinators' list."
        )
    return _("Amended. Letters of the earlier version that have not left are replaced.")
