"""Middleware: sessions that end, and the guard that opens only routes listed for the user's roles."""

from collections.abc import Callable
from functools import cache
from typing import Any

from django.conf import settings
from django.contrib.auth import logout
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, HttpResponseNotAllowed
from django.shortcuts import redirect, render

from staff import clock
from staff.coming_back import page_above, sign_in_address
from staff.errors import NO_PROTOCOL, NotAllowed, NotFound, RoundbookError
from staff.models import User
from staff.routes import Door, route_table

Respond = Callable[[HttpRequest], HttpResponseBase]


@cache
def _table() -> dict[str, Door]:
    return route_table()


def _to_sign_in(request: HttpRequest) -> HttpResponseBase:
    fragment = bool(getattr(request, "htmx", False))
    address = sign_in_address(request, fragment=fragment)
    if fragment:
        response = HttpResponse(status=204)
        response["HX-Redirect"] = address
        return response
    return redirect(address)


def _worded(request: HttpRequest, refused: HttpResponseNotAllowed) -> HttpResponse:
    """The bare refusal of a page that only takes forms, in words."""
    page = render(request, "405.html", {"page_above": page_above(request, _table())}, status=405)
    page["Allow"] = refused["Allow"]
    return page


class SessionAge:
    """Ends a session after a quiet time or after twelve hours, whichever comes first."""

    def __init__(self, respond: Respond) -> None:
        self.respond = respond

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if request.user.is_authenticated:
            seconds = int(clock.now().timestamp())
            session = request.session
            born = session.setdefault("born", seconds)
            seen = session.get("seen", seconds)
            if (
                abs(seconds - seen) > settings.SESSION_IDLE_SECONDS
                or seconds - born > settings.SESSION_COOKIE_AGE
            ):
                logout(request)
                return _to_sign_in(request)
            if seconds - seen > 30 or "seen" not in session:
                session["seen"] = seconds
        return self.respond(request)


class RouteGuard:
    """Lets a request through only when its route is in the table and the user holds one of its roles."""

    def __init__(self, respond: Respond) -> None:
        self.respond = respond

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.respond(request)
        if isinstance(response, HttpResponseNotAllowed) and not response.content:
            return _worded(request, response)
        return response

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: Any
    ) -> HttpResponseBase | None:
        name = request.resolver_match.view_name if request.resolver_match else ""
        door = _table().get(name)
        if door is None:
            raise Http404(f"The route {name!r} is in no route table.")
        if (
            door.public or door.token
        ):  # the API's own permission reads the same table, see staff/api/tokens.py
            return None
        user = request.user
        if not isinstance(user, User) or not user.is_active:
            return _to_sign_in(request)
        if not user.roles & door.roles:
            raise PermissionDenied
        return None

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponseBase | None:
        if isinstance(error, NotFound):
            raise Http404(str(error)) from error
        if isinstance(error, NotAllowed):
            raise PermissionDenied(str(error)) from error
        if isinstance(error, RoundbookError) and error.code == NO_PROTOCOL:
            return render(request, "not_founded.html", {"sentence": error.sentence}, status=503)
        return None
