"""Take kits into stock: the form and the kits that are there."""

from typing import cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from screening.forms.stock import StockForm
from screening.services.batches import stock_by_lot
from screening.services.policies import policy_on
from screening.services.stock import kits_receive
from staff import clock
from staff.errors import RoundbookError
from staff.models import User


@require_http_methods(["GET", "POST"])
def stock(request: HttpRequest) -> HttpResponse:
    """The kits in stock, and the form that takes a box of them in."""
    form = StockForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            received = kits_receive(by=cast(User, request.user), **form.cleaned_data)
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            words = ngettext(
                "%(count)s kit of lot %(lot)s is in stock: %(first)s.",
                "%(count)s kits of lot %(lot)s are in stock: %(first)s to %(last)s.",
                received.count,
            )
            facts = {
                "count": received.count, "lot": received.lot.code, "first": received.first_serial,
                "last": received.last_serial,
            }  # fmt: skip
            messages.success(request, words % facts)
            return redirect("screening:stock")
    today = clock.today()
    context = {"form": form, "stock": stock_by_lot(on=today), "policy": policy_on(today)}
    return render(request, "screening/stock.html", context, status=422 if form.errors else 200)
