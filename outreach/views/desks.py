"""Which desk opens the post of an area: one page for the administrator."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from outreach.forms import DesksForm
from outreach.services.desks import area_desks_set, desks_of_areas
from outreach.views.mail import actor
from staff.errors import RoundbookError


@require_http_methods(["GET", "POST"])
def desks(request: HttpRequest) -> HttpResponse:
    """Every area with its desk, and one button for all."""
    form = DesksForm(request.POST or None, now=desks_of_areas())
    if request.method == "POST" and form.is_valid():
        try:
            changed = area_desks_set(by=actor(request), wanted=form.wanted)
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            words = ngettext(
                "%(n)s area has another desk now.", "%(n)s areas have another desk now.", changed
            )
            messages.success(request, words % {"n": changed} if changed else _("Nothing was different."))
            return redirect("outreach:desks")
    return render(request, "outreach/desks.html", {"form": form}, status=422 if form.errors else 200)
