"""Who may sign in: the live accounts, confirmed in bulk, and closed by an administrator."""

from typing import cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST

from staff import clock
from staff.access import user_holds
from staff.confirmed_sql import CONFIRMED_DAYS
from staff.errors import RoundbookError
from staff.forms.accounts import ConfirmForm
from staff.models import SYSTEM_USERNAME, User
from staff.roles import Role
from staff.services.accounts import account_active
from staff.services.confirmations import accounts_confirm, accounts_live, nobody_else_confirms


@require_http_methods(["GET", "POST"])
def accounts(request: HttpRequest) -> HttpResponse:
    """The live accounts, those to be confirmed first on top; the ticked ones are confirmed."""
    by = cast(User, request.user)
    form = ConfirmForm(request.POST) if request.method == "POST" else ConfirmForm()
    if form.is_bound and form.is_valid():
        try:
            done = accounts_confirm(
                by=by, user_ids=form.cleaned_data["account"], words=form.cleaned_data["words"]
            )
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            words = ngettext("%(n)s account is confirmed.", "%(n)s accounts are confirmed.", done)
            again = _("They had been confirmed today, or were closed meanwhile.")
            messages.success(request, words % {"n": done} if done else again)
            return redirect("staff:accounts")
    context = {
        "form": form, "rows": accounts_live(by=by), "now": clock.now(), "days": CONFIRMED_DAYS,
        "may_close": user_holds(by, [Role.ADMINISTRATOR]), "alone": nobody_else_confirms(by),
        "ticked": request.POST.getlist("account"),
    }  # fmt: skip
    return render(request, "staff/accounts.html", context, status=422 if form.errors else 200)


@require_POST
def close(request: HttpRequest, pk: int) -> HttpResponse:
    """Close an account, in every open window at once."""
    user = get_object_or_404(User.objects.exclude(username=SYSTEM_USERNAME), pk=pk, api_client=None)
    try:
        account_active(by=cast(User, request.user), user=user, active=False)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        words = _("The account of %(name)s is closed. What they did stays theirs.")
        messages.success(request, words % {"name": user.full_name})
    return redirect("staff:accounts")
