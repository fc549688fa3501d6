"""The packing table: letter and kit scanned together, sealed packs opened to check, and a contractor's manifest."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.contrib import messages
from django.db import transaction
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from outreach.letters.tokens import token_read
from outreach.routes import OFFICE
from outreach.services.packs import (
    LETTERS_SHOWN,
    MANIFEST_COLUMNS,
    MOST_BYTES,
    batch_letters_preview,
    manifest_take,
    round_of_token,
)
from outreach.services.unwritten import Unwritten, batch_unwritten
from outreach.views.mail import actor, pdf
from screening.access import people_listed
from screening.models import Batch, Manifest, Pack
from screening.services.batches import batch_people
from screening.services.doubts import MISPAIRED
from screening.services.packing import AGAIN, Packing, pack_check, pack_scan, packing_of, packs_missing_out
from screening.services.policies import policy_on
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models import Purpose

SHOWN = 12
SAID = "pack_said"
"""Where the session keeps what a scan of an opened pack came to until the packing page has told it."""
NAMED_SHOWN = 50


class PackForm(forms.Form):
    """One code at a time: the square of a letter, then the kit that goes with it."""

    code = forms.CharField(
        max_length=60, error_messages={"required": gettext_lazy("Nothing was read. Scan again.")}
    )
    letter = forms.CharField(max_length=24, required=False, widget=forms.HiddenInput)


class ManifestForm(forms.Form):
    """The contractor's file."""

    file = forms.FileField(
        label=gettext_lazy("CSV file of what was packed"),
        error_messages={"required": gettext_lazy("Choose the contractor's file.")},
    )


@require_http_methods(["GET", "POST"])
def pack(request: HttpRequest, pk: int) -> HttpResponse:
    """Scan the letter, then the kit: sealed only where both belong together."""
    batch = get_object_or_404(Batch.objects.select_related("opened_by"), pk=pk)
    said = _scanned(request, batch, checking=False) if request.method == "POST" else _kept(request, batch)
    return _page(request, batch, said)


@require_POST
def pack_opened(request: HttpRequest, pk: int) -> HttpResponse:
    """A sealed pack was opened: scan its letter, then the kit found in it; the packing page tells, and may be reloaded."""
    batch = get_object_or_404(Batch, pk=pk)
    request.session[SAID] = _scanned(request, batch, checking=True) | {"batch": batch.pk}
    return redirect("outreach:pack", pk=pk)


def _kept(request: HttpRequest, batch: Batch) -> dict[str, Any]:
    """What the scan before came to, told once."""
    said: dict[str, Any] = request.session.pop(SAID, {})
    return said if said.get("batch") == batch.pk else {}


def _scanned(request: HttpRequest, batch: Batch, *, checking: bool) -> dict[str, Any]:
    """What a scan comes to: the letter to go on with, or words and their tone."""
    form = PackForm(request.POST)
    if not form.is_valid():
        return {"tone": "stop", "words": str(form.errors["code"][0]), "letter": request.POST.get("letter", "")[:24], "checking": checking}  # fmt: skip
    code, letter = form.cleaned_data["code"].strip().upper(), form.cleaned_data["letter"]
    if token_read(code) is not None:
        return {"letter": code, "checking": checking}
    if not letter:
        return {"tone": "stop", "words": _("Scan the square of the letter first, then the kit."), "checking": checking}  # fmt: skip
    try:
        found = _opened(request, batch, letter, code) if checking else _packed(request, batch, letter, code)
    except RoundbookError as error:
        # A kit that could not be read is scanned again; the letter stays in hand.
        return {"tone": "stop", "words": str(error.sentence), "letter": letter, "checking": checking}
    return found | {"checking": checking}


def _packed(request: HttpRequest, batch: Batch, letter: str, code: str) -> dict[str, Any]:
    found, words = pack_scan(
        by=actor(request), batch=batch, round_id=round_of_token(letter), letter=letter, raw=code
    )
    tone = "ok" if found.verdict == Pack.Verdict.PAIRED else "note" if found.verdict == AGAIN else "stop"
    return {"tone": tone, "words": words}


def _opened(request: HttpRequest, batch: Batch, letter: str, code: str) -> dict[str, Any]:
    right, doubts = pack_check(by=actor(request), batch=batch, round_id=round_of_token(letter), raw=code)
    if right:
        return {"tone": "ok", "words": _("Right. Seal it again.")}
    kits = sum(one.kits for one in doubts)
    words = ngettext(
        "STOP: another kit than was packed. %(n)s kit of this tray is in doubt: take the packs out of the post. Its person waits for another kit.",
        "STOP: another kit than was packed. All %(n)s kits of this tray are in doubt: take the packs out of the post. Their people wait for another kit.",
        kits,
    )
    return {"tone": "stop", "words": words % {"n": kits}}


def _page(request: HttpRequest, batch: Batch, said: dict[str, Any]) -> HttpResponse:
    today = clock.today()
    packing: Packing = packing_of(batch, on=today)
    done = packing.paired + packing.missing
    context: dict[str, Any] = {
        "batch": batch,
        "packing": packing,
        "share": f"{packing.paired} / {done}",
        "every": policy_on(today).pack_check_every,
        "needs_release": policy_on(today).second_person_releases and batch.released_by_id is None,
        "refused": batch.packs.exclude(verdict=Pack.Verdict.PAIRED).order_by("-pk")[:SHOWN],
        "latest": batch.packs.filter(verdict=Pack.Verdict.PAIRED)
        .annotate(in_doubt=Q(kit__void_reason=MISPAIRED))
        .order_by("-pk")[:SHOWN],
        "said": said,
    }
    refused = request.method == "POST" and said.get("tone") == "stop"
    return render(request, "outreach/pack.html", context, status=422 if refused else 200)


@require_POST
def pack_missing(request: HttpRequest, pk: int) -> HttpResponse:
    """Take out the kits that were not found with their letters."""
    try:
        out = packs_missing_out(by=actor(request), batch=get_object_or_404(Batch, pk=pk))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = ngettext(
            "%(n)s kit is taken out and void; its person waits for another.",
            "%(n)s kits are taken out and void; their people wait for another.",
            out,
        )
        messages.success(request, words % {"n": out})
    return redirect("outreach:pack", pk=pk)


@require_http_methods(["GET", "POST"])
def manifests(request: HttpRequest) -> HttpResponse:
    """The contractors' files so far, and one more."""
    form = ManifestForm(request.POST, request.FILES) if request.method == "POST" else ManifestForm()
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            taken = manifest_take(by=actor(request), name=file.name, content=file.read(MOST_BYTES + 1))
        except RoundbookError as error:
            if error.status == 403:
                raise
            form.add_error("file", str(error.sentence))
        else:
            return _taken(request, taken)
    context = {
        "form": form,
        "columns": ", ".join(MANIFEST_COLUMNS),
        "rows": Manifest.objects.select_related("taken_by")[:30],
        "wrong": Pack.objects.filter(manifest__isnull=False).exclude(verdict=Pack.Verdict.PAIRED).order_by("-pk")[:SHOWN],
    }  # fmt: skip
    return render(request, "outreach/manifests.html", context, status=422 if form.errors else 200)


def _taken(request: HttpRequest, taken: Any) -> HttpResponse:
    if taken.was_known:
        messages.info(request, _("This very file was taken before. Nothing was counted twice."))
    elif taken.doubts:
        kits = sum(one.kits for one in taken.doubts)
        words = ngettext(
            "%(kits)s kit is in doubt: a letter and a kit did not belong together. It is set aside when it comes, and its person gets another.",
            "%(kits)s kits are in doubt: a letter and a kit did not belong together. They are set aside when they come, and their people get another.",
            kits,
        )
        messages.error(request, words % {"kits": kits})
    else:
        messages.success(request, _counts(taken.manifest))
    return redirect("outreach:manifests")


def _counts(manifest: Manifest) -> str:
    paired = ngettext("%(n)s right pair was taken.", "%(n)s right pairs were taken.", manifest.paired)
    refused = ngettext("%(n)s line was refused.", "%(n)s lines were refused.", manifest.refused)
    known = ngettext("%(n)s was known before.", "%(n)s were known before.", manifest.known)
    told = ((paired, manifest.paired), (refused, manifest.refused), (known, manifest.known))
    return " ".join(words % {"n": number} for words, number in told)


@require_GET
def unwritten(request: HttpRequest, pk: int) -> HttpResponse:
    """Whose letters of a batch cannot be written, as a part of its page; everybody named is journalled."""
    batch = get_object_or_404(Batch, pk=pk)
    lacking = batch_unwritten(by=actor(request), batch=batch)
    with transaction.atomic():
        people_listed(
            by=actor(request), person_ids=[one.person_id for one in lacking[:NAMED_SHOWN]], purpose=Purpose.CHECK,
            place="outreach:batch-unwritten",
        )  # fmt: skip
    return render(request, "outreach/_batch_unwritten.html", _unwritten_told(request, lacking))


def _unwritten_told(request: HttpRequest, lacking: Sequence[Unwritten]) -> dict[str, Any]:
    return {
        "unwritten": lacking[:NAMED_SHOWN], "total": len(lacking),
        "may_mail": user_holds(actor(request), OFFICE.roles),
    }  # fmt: skip


@require_GET
def batch_preview(request: HttpRequest, pk: int) -> HttpResponse:
    """Some letters of a batch as they will be written, once it is said whose cannot; everybody in them is journalled."""
    batch = get_object_or_404(Batch, pk=pk)
    with transaction.atomic():
        people = batch_people(batch, limit=LETTERS_SHOWN)
        people_listed(
            by=actor(request), person_ids=[person.pk for person, _serial in people], purpose=Purpose.CHECK,
            place="outreach:batch-preview",
        )  # fmt: skip
    found = batch.rounds.filter(person__in=[person.pk for person, _serial in people])
    rounds = list(found.values_list("pk", flat=True))
    lacking = batch_unwritten(by=actor(request), batch=batch, round_ids=rounds)
    if lacking and "others" not in request.GET:
        context = _unwritten_told(request, lacking) | {"batch": batch, "others": len(rounds) - len(lacking)}
        return render(request, "outreach/batch_lacks.html", context)
    try:
        rendered = batch_letters_preview(by=actor(request), batch=batch, round_ids=rounds)
    except RoundbookError as error:
        return render(request, "outreach/no_letter.html", {"words": error.sentence}, status=error.status)
    return pdf(rendered.content, "preview.pdf")
