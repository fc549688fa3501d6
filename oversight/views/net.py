"""“Nobody falls through”: the lists, one list with its entries, settling with evidence, ledgers and seals, and the papers."""

from datetime import date
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from oversight.forms_net import SettleForm, StatementForm
from oversight.models import AgedOut, Paper, RestoreDrill, Seal, Settlement
from oversight.net import LISTS, net_query
from oversight.net.things import THINGS
from oversight.net_page import entries_of
from oversight.proof_page import person_address, runnable
from oversight.services.continuity import continuity_people
from oversight.services.ledgers import balances, run_before
from oversight.services.net import MAY_SETTLE, net_lines, net_series, net_settle, run_a_month_before
from oversight.services.open_questions import open_questions_of
from oversight.services.proofs import check_params, p1_violations, proof_latest, run_summary
from oversight.services.statements import statement_held
from results.models import LookBack
from results.services.look_back import look_back_progress
from screening.access import people_listed
from staff import clock
from staff.access import user_holds
from staff.errors import NotAllowed, RoundbookError
from staff.models import Purpose, User
from staff.roles import Role

NIGHTS = 14
SETTLED_SHOWN = 50


def reader(request: HttpRequest) -> User:
    """Who reads."""
    if not isinstance(request.user, User):
        raise NotAllowed("signed_out", _("Sign in first."))
    return request.user


def frame_of(request: HttpRequest, page: str) -> dict[str, Any]:
    """What all pages of the safety net show: the last run, which page this is, and the papers of the night."""
    run = proof_latest()
    return {
        "page": page,
        "run": run,
        "summary": run_summary(run) if run else None,
        "grave": p1_violations(run) if run else [],
        "may_take_pack": user_holds(reader(request), TAKES_PACK),
    }


TAKES_PACK = (Role.COORDINATOR, Role.CLINICIAN, Role.MANAGER)
"""Who may take the continuity pack: it names people."""


@require_GET
def nobody_falls_through(request: HttpRequest) -> HttpResponse:
    """The lists as they stood in the last full proof, with the look-backs that are open."""
    full = proof_latest(full=True)
    before = run_a_month_before(full) if full else None
    told = {
        "full": full,
        "before": before,
        "lines": net_lines(full, before) if full else [],
        "open": open_questions_of(full),
        "look_backs": [
            (one, look_back_progress(one)) for one in LookBack.objects.filter(closed_at=None)[:50]
        ],
    }
    return render(request, "oversight/net.html", frame_of(request, "net") | told)


@require_GET
def net_list(request: HttpRequest, name: str) -> HttpResponse:
    """One list: its entries in the last full proof, how each leaves it, and the proof."""
    if name not in LISTS:
        raise Http404
    return _list(request, name, SettleForm(today=clock.today()), 200)


def _list(request: HttpRequest, name: str, form: SettleForm, status: int, asked: str = "") -> HttpResponse:
    one, full, user = LISTS[name], proof_latest(full=True), reader(request)
    count = full.net.filter(name=name).first() if full else None
    today = clock.today()
    settled = (
        Settlement.objects.filter(name=name, until__gt=today)
        .select_related("settled_by")
        .order_by("until", "pk")
    )
    gone = {(row.thing, row.thing_id) for row in settled}
    told = {
        "one": one, "count": count, "full": full, "form": form, "asked": asked, "sql": runnable(net_query(one), check_params(clock.local_day(full.started_at) if full else today) | dict(one.params)),
        "series": net_series(name, full) if full else [],
        "entries": entries_of(one, count, gone, address=person_address(user)) if count else [],
        "settled": [(row, THINGS.get(row.thing, row.thing)) for row in settled[:SETTLED_SHOWN]], "may_settle": user_holds(user, MAY_SETTLE),
    }  # fmt: skip
    return render(request, "oversight/net_list.html", frame_of(request, "net") | told, status=status)


@require_POST
def settle(request: HttpRequest, name: str) -> HttpResponse:
    """Settle one entry until a day, with what was found and done."""
    if name not in LISTS:
        raise Http404
    form = SettleForm(request.POST, today=clock.today())
    asked = f"{request.POST.get('thing', '')}:{request.POST.get('thing_id', '')}"
    if not form.is_valid():
        return _list(request, name, form, 422, asked)
    try:
        row = net_settle(by=reader(request), name=name, **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(None, str(error))
        return _list(request, name, form, 422, asked)
    messages.success(
        request,
        _("Settled until %(day)s. On that day it is back on the list, unless it was resolved.")
        % {"day": row.until},
    )
    return redirect("oversight:net-list", name=name)


@require_GET
def ledgers(request: HttpRequest) -> HttpResponse:
    """The ledgers of the last full proof against the one before, and the seals of the last nights."""
    full = proof_latest(full=True)
    before = run_before(full) if full else None
    form = StatementForm(request.GET if "signature" in request.GET else None)
    told = {
        "full": full, "before": before, "balances": balances(full, before) if full else [],
        "seals": Seal.objects.order_by("-pk")[:NIGHTS],
        "form": form,
        "held": statement_held(**form.cleaned_data) if form.is_bound and form.is_valid() else None,
        "aged_out": AgedOut.objects.select_related("asked_by", "agreed_by")[:NIGHTS],
        "drill": RestoreDrill.objects.first(),
        "papers": Paper.objects.defer("content").order_by("-day", "kind")[: 2 * NIGHTS],
    }  # fmt: skip
    return render(request, "oversight/ledgers.html", frame_of(request, "ledgers") | told)


@require_GET
def statement(request: HttpRequest, day: str) -> HttpResponse:
    """The signed statement of a night as it was made."""
    return _paper(Paper.Kind.STATEMENT, day)


@require_GET
def continuity(request: HttpRequest, day: str) -> HttpResponse:
    """The continuity pack of a night; whoever stands in it is journalled as taken away."""
    answer = _paper(Paper.Kind.CONTINUITY, day)
    people_listed(
        by=reader(request), person_ids=continuity_people(), place="continuity pack", purpose=Purpose.EXPORT
    )
    return answer


def _paper(kind: Paper.Kind, day: str) -> HttpResponse:
    chosen = Paper.objects.filter(kind=kind)
    row = (
        chosen.order_by("-day").first()
        if day == "latest"
        else chosen.filter(day=day).first()
        if _is_day(day)
        else None
    )
    if row is None:
        raise Http404
    answer = HttpResponse(bytes(row.content), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{kind.value}-{row.day}.pdf"'
    return answer


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True
