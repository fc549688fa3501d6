"""Programs that connect: the list, a new client, its next token (shown once), and the end of one."""

from typing import cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from staff import clock
from staff.errors import RoundbookError
from staff.forms.clients import ClientForm, TokenForm
from staff.models import ApiClient, User
from staff.services.clients import NewToken, client_make, clients_listed, token_make, token_revoke


@never_cache
@require_http_methods(["GET", "POST"])
def clients(request: HttpRequest) -> HttpResponse:
    """The clients, and the form that adds one; the secret is on the page that answers the form, and never again."""
    form = ClientForm(request.POST or None)
    made: NewToken | None = None
    if request.method == "POST" and form.is_valid():
        try:
            made = client_make(by=cast(User, request.user), **form.cleaned_data)
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            form = ClientForm()
    return _page(request, form, made)


def _page(request: HttpRequest, form: ClientForm, made: NewToken | None) -> HttpResponse:
    context = {
        "form": form, "made": made, "rows": clients_listed(), "now": clock.now(), "again": TokenForm(auto_id=False),
    }  # fmt: skip
    return render(request, "staff/clients.html", context, status=422 if form.errors else 200)


@never_cache
@require_POST
def token(request: HttpRequest, pk: int) -> HttpResponse:
    """Make the next token of a client; the one before stops at once."""
    form, client = TokenForm(request.POST), get_object_or_404(ApiClient, pk=pk)
    if not form.is_valid():
        messages.error(request, _("Say for how many days the token lasts."))
        return redirect("staff:clients")
    made = token_make(by=cast(User, request.user), client=client, days=form.cleaned_data["days"])
    return _page(request, ClientForm(), made)


@require_POST
def revoke(request: HttpRequest, pk: int) -> HttpResponse:
    """End a client's token."""
    if token_revoke(by=cast(User, request.user), client=get_object_or_404(ApiClient, pk=pk)):
        messages.success(request, _("The token is revoked. Requests with it are refused from now on."))
    else:
        messages.info(request, _("This client had no token that could still be used."))
    return redirect("staff:clients")
