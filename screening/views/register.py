"""Load the register: take a file, look at what it would do, apply it, release it, or throw it away."""

import csv
from typing import cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.access import people_listed
from screening.forms.register import RegisterFileForm
from screening.models import RegisterComparison, RegisterLoad
from screening.register_table import field_label, load_summary
from screening.services.register import (
    Change,
    Effect,
    register_apply,
    register_changes,
    register_discard,
    register_effect,
    register_stage,
)
from screening.services.register_lines import COLUMNS
from screening.services.register_proof import register_changed, register_compare, register_freshness
from staff import clock
from staff.errors import RoundbookError
from staff.models import Purpose, User

REFUSED_SHOWN = 50


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


@require_http_methods(["GET", "POST"])
def register(request: HttpRequest) -> HttpResponse:
    """The page with the upload and the loads so far."""
    form = RegisterFileForm(request.POST, request.FILES) if request.method == "POST" else RegisterFileForm()
    if request.method == "POST" and form.is_valid():
        upload = form.cleaned_data["file"]
        began = clock.now()
        try:
            load = register_stage(
                by=actor(request),
                content=upload.read(),
                file_name=upload.name,
                is_full=form.cleaned_data["is_full"],
            )
        except RoundbookError as error:
            form.add_error("file", str(error.sentence))
        else:
            if load.status == RegisterLoad.Status.APPLIED:
                words = _("This very file was applied before. Nothing was changed.")
                if form.cleaned_data["is_full"] and not load.is_full:
                    words += " " + _(
                        "It did not call itself the whole register then, and nobody was counted as missing."
                    )
                messages.info(request, words)
            elif load.staged_at < began:
                messages.info(request, _("This very file waits already; here is what it would do."))
            return redirect("screening:register-load", pk=load.pk)
    loads = RegisterLoad.objects.select_related("staged_by", "applied_by").order_by("-staged_at", "-pk")
    page = Paginator(loads, 20).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "page": page,
        "summaries": [load_summary(load) for load in page],
        "columns": ", ".join(COLUMNS),
        "fresh": register_freshness(clock.today()),
        "comparison": RegisterComparison.objects.select_related("by").first(),
    }
    return render(request, "screening/register.html", context, status=422 if form.errors else 200)


@require_POST
def compare(request: HttpRequest) -> HttpResponse:
    """Compare everybody with what the register last said."""
    found = register_compare(by=actor(request))
    if found.differing or found.lost:
        messages.error(request, _("The people and the register differ. See below whom it is about."))
    else:
        messages.success(request, _("Everybody reads as the register last said."))
    return redirect("screening:register")


@require_GET
def load(request: HttpRequest, pk: int) -> HttpResponse:
    """One file: what it would do, or what it did, and its refused lines."""
    load = get_object_or_404(RegisterLoad.objects.select_related("staged_by", "applied_by"), pk=pk)
    waits = load.status in {RegisterLoad.Status.STAGED, RegisterLoad.Status.HELD}
    with transaction.atomic():
        effect = register_effect(load) if waits else _effect_kept(load)
        changes = register_changes(load) if waits else _changed(load)
        people_listed(
            by=actor(request),
            person_ids=[c.person_id for c in changes],
            place="screening:register-load",
            purpose=Purpose.CHECK,
        )
    context = {
        "load": load,
        "summary": load_summary(load),
        "waits": waits,
        "held": load.status == RegisterLoad.Status.HELD,
        "may_release": load.staged_by_id != actor(request).pk,
        "effect": effect,
        "fields": [(field_label(c), n) for c, n in effect.fields.items()],
        "emptied": [(field_label(c), *counts) for c, counts in effect.emptied.items()],
        "change_total": max(effect.changed, len(changes)),
        "changes": [(c, [(field_label(name), now, then) for name, now, then in c.facts]) for c in changes],
        "refused_lines": load.refused_lines.all()[:REFUSED_SHOWN],
    }
    return render(request, "screening/register_load.html", context)


def _effect_kept(load: RegisterLoad) -> Effect:
    """What is kept of the effect of a file that was applied; nothing of one that was thrown away."""
    if load.status != RegisterLoad.Status.APPLIED:
        return Effect()
    kept = load.effect
    return Effect(
        created=load.created, changed=load.changed, unchanged=load.unchanged, missing=load.missing,
        deaths=kept.get("deaths", 0), leavers=kept.get("leavers", 0), fields=kept.get("fields", {}),
    )  # fmt: skip


def _changed(load: RegisterLoad) -> list[Change]:
    return register_changed(load) if load.status == RegisterLoad.Status.APPLIED and load.changed else []


@require_POST
def load_apply(request: HttpRequest, pk: int) -> HttpResponse:
    """Apply a file; a held one only when its release is asked for."""
    load = get_object_or_404(RegisterLoad, pk=pk)
    try:
        done = register_apply(by=actor(request), load=load, override_hold="release" in request.POST)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = ngettext(
            "%(created)s person is new, %(changed)s changed, %(unchanged)s stayed as they were.",
            "%(created)s people are new, %(changed)s changed, %(unchanged)s stayed as they were.",
            done.created,
        )
        facts = {"created": done.created, "changed": done.changed, "unchanged": done.unchanged}
        messages.success(request, words % facts)
    return redirect("screening:register-load", pk=pk)


@require_POST
def load_discard(request: HttpRequest, pk: int) -> HttpResponse:
    """Throw a file away."""
    try:
        register_discard(by=actor(request), load=get_object_or_404(RegisterLoad, pk=pk))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("The file was thrown away. Nothing of it was applied."))
    return redirect("screening:register")


def spreadsheet_safe(cell: str) -> str:
    """A cell that a spreadsheet will not run as a formula."""
    return f"'{cell}" if cell[:1] in {"=", "+", "-", "@", "\t", "\r"} else cell


@require_GET
def load_refused(request: HttpRequest, pk: int) -> HttpResponse:
    """The refused lines as a file: line, reason, and the line as it came."""
    load = get_object_or_404(RegisterLoad, pk=pk)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="refused-lines-{load.pk}.csv"'
    response.write("\ufeff")
    writer = csv.writer(response)
    writer.writerow(["line", "code", "reason", "as it came"])
    for row in load.refused_lines.values_list("line", "code", "sentence", "raw").iterator():
        writer.writerow([row[0], *(spreadsheet_safe(cell) for cell in row[1:])])
    return response
