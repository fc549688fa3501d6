"""Kits in doubt: ranges of serials that may lie beside another person's letter, and what became of them."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from screening.forms.batches import DoubtForm
from screening.models import KitDoubt
from screening.services.doubts import back_in_doubt, doubt_range
from screening.views.batches import actor
from staff.errors import RoundbookError

SHOWN = 30


@require_http_methods(["GET", "POST"])
def doubts(request: HttpRequest) -> HttpResponse:
    """The ranges in doubt so far, and one more."""
    form = DoubtForm(request.POST) if request.method == "POST" else DoubtForm()
    if request.method == "POST" and form.is_valid():
        try:
            made = doubt_range(by=actor(request), **form.cleaned_data)
        except RoundbookError as error:
            form.add_error(error.data.get("field"), str(error.sentence))
        else:
            words = _("Kits set aside when they come: %(kits)s. People who get another kit: %(people)s.")
            messages.success(request, words % {"kits": made.kits, "people": made.people})
            return redirect("screening:doubts")
    rows = [
        (one, back_in_doubt(one) if one.back else [])
        for one in KitDoubt.objects.select_related("opened_by")[:SHOWN]
    ]
    return render(
        request, "screening/doubts.html", {"form": form, "rows": rows}, status=422 if form.errors else 200
    )
