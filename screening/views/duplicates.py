"""Possible duplicates: the list, two records side by side, told apart, or put together by two people and taken apart again."""

from typing import cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_POST

from screening.access import people_listed
from screening.models import PersonMerge, PossibleDuplicate
from screening.querysets import number_of, rounds_of
from screening.register_table import field_label
from screening.services.duplicates import (
    duplicate_different,
    duplicates_open,
    merge_ask,
    merge_decide,
    merge_undo,
)
from staff.errors import RoundbookError
from staff.models import Purpose, User

SHOWN = (
    "family_name",
    "given_names",
    "birth_date",
    "sex",
    "address_1",
    "postcode",
    "locality",
    "phone",
    "email",
    "language",
)
LEVEL_OF = {"address_1": "address", "postcode": "address"}
LEVELS = {
    "same": gettext_lazy("the same"),
    "near": gettext_lazy("nearly the same"),
    "other": gettext_lazy("different"),
    "unknown": gettext_lazy("unknown on one side"),
}


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


@require_GET
def duplicates(request: HttpRequest) -> HttpResponse:
    """The pairs to look at, the likeliest first."""
    with transaction.atomic():
        page = Paginator(duplicates_open(), 50).get_page(request.GET.get("page"))
        ids = [pk for pair in page for pk in (pair.first_id, pair.second_id)]
        people_listed(by=actor(request), person_ids=ids, place="screening:duplicates")
    rows = [(p, [LEVELS[v] for k, v in sorted(p.levels.items()) if v in {"near", "other"}]) for p in page]
    return render(request, "screening/duplicates.html", {"page": page, "rows": rows})


@require_GET
def duplicate(request: HttpRequest, pk: int) -> HttpResponse:
    """Two records side by side, differences first to be seen."""
    pair = get_object_or_404(PossibleDuplicate.objects.select_related("first", "second", "decided_by"), pk=pk)
    with transaction.atomic():
        people_listed(
            by=actor(request), person_ids=[pair.first_id, pair.second_id], place="screening:duplicate",
            purpose=Purpose.CHECK,
        )  # fmt: skip
        sides = [(p, number_of(p), rounds_of(p)) for p in (pair.first, pair.second)]
    asked = PersonMerge.objects.filter(
        kept__in=[pair.first_id, pair.second_id], merged__in=[pair.first_id, pair.second_id], undone_at=None
    ).exclude(agreed=False)
    context = {
        "pair": pair,
        "sides": sides,
        "rows": [_row(name, pair) for name in SHOWN],
        "asked": asked.select_related("asked_by").first(),
        "open": not pair.verdict,
    }
    return render(request, "screening/duplicate.html", context)


def _row(name: str, pair: PossibleDuplicate) -> tuple[str, str, str, bool]:
    hidden = {"address_1", "postcode", "locality"}
    values = [
        _("hidden") if person.hidden_address and name in hidden else str(getattr(person, name) or "")
        for person in (pair.first, pair.second)
    ]
    return field_label(name), values[0], values[1], values[0] != values[1]


@require_POST
def duplicate_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Told apart for good, or a merge asked for."""
    pair = get_object_or_404(PossibleDuplicate.objects.select_related("first", "second"), pk=pk)
    note = request.POST.get("note", "")
    sides = {str(pair.first_id): (pair.first, pair.second), str(pair.second_id): (pair.second, pair.first)}
    try:
        if "different" in request.POST:
            duplicate_different(by=actor(request), pair=pair, note=note)
            messages.success(request, _("Told apart. Each record warns of the other from now on."))
            return redirect("screening:duplicates")
        kept, merged = sides.get(request.POST.get("keep", ""), sides[str(pair.first_id)])
        merge_ask(by=actor(request), kept=kept, merged=merged, why=note)
        messages.success(request, _("Written down. A second person decides; until then nothing changes."))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    return redirect("screening:duplicate", pk=pk)


@require_POST
def merge(request: HttpRequest, pk: int) -> HttpResponse:
    """Agree to a merge or not, as the second person."""
    found = get_object_or_404(PersonMerge, pk=pk)
    people_listed(
        by=actor(request),
        person_ids=[found.kept_id, found.merged_id],
        place="screening:merge",
        purpose=Purpose.CHECK,
    )
    try:
        done = merge_decide(by=actor(request), merge=found, agree="agree" in request.POST)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = _("One person now: both histories stand under one record, and it can be taken back.")
        messages.success(request, words if done.agreed else _("Not agreed: both records stay as they were."))
    return redirect("screening:second-look")


@require_POST
def unmerge(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a merge back."""
    found = get_object_or_404(PersonMerge, pk=pk)
    people_listed(
        by=actor(request),
        person_ids=[found.kept_id, found.merged_id],
        place="screening:unmerge",
        purpose=Purpose.CHECK,
    )
    try:
        merge_undo(by=actor(request), merge=found, why=request.POST.get("note", ""))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, _("Taken back: both records stand as they stood."))
    return redirect("screening:person", pk=found.kept_id)
