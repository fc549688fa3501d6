"""Addresses that only take a form: somebody who opens one from the history or a bookmark is led to the page the form stands on."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods

View = Callable[..., HttpResponse]


def post_or_back(page: str, *, of_record: bool = False) -> Callable[[View], View]:
    """The view takes POST alone; reading its address leads to `page` (with the record's own `pk` where `of_record`)."""

    def wrap(view: View) -> View:
        @require_http_methods(["GET", "HEAD", "POST"])
        @wraps(view)
        def inner(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if request.method != "POST":
                return redirect(page, pk=kwargs["pk"]) if of_record else redirect(page)
            return view(request, *args, **kwargs)

        return inner

    return wrap
