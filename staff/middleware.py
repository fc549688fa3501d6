"""Middleware: sessions that end, and the guard that opens only routes listed for the user's roles."""

from collections.abc import Callable
from functools import cache
from typing import Any

from django.conf import settings
from django.contrib.auth import logout
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render, resolve_url

from staff import clock
from staff.errors import NO_PROTOCOL, NotAllowed, NotFound, RoundbookError
from staff.models import User
from staff.routes import Door, route_table

Respond = Callable[[HttpRequest], HttpResponseBase]


@cache
def _table() -> dict[str, Door]:
    return route_table()


def _to_sign_in(request: HttpRequest) -> HttpResponseBase:
    if getattr(request, "htmx", False):
        response = HttpResponse(status=204)
        response["HX-Redirect"] = resolve_url(settings.LOGIN_URL)
        return response
    return redirect_to_login(request.get_full_path(), resolve_url(settings.LOGIN_URL))


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
        return self.respond(request)

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
