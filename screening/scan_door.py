"""The short way of a scan: signed session, user, roles and token checked as on the long way, without its machinery.

Whatever is not plain (no script, another user than the page says, a session due for renewal, a wrong token, a missing
role) goes the long way, which answers it: this door only ever lets through what the long way would let through.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Callable, Mapping
from functools import lru_cache, partial
from typing import Any

from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import InterfaceError, OperationalError, connection
from django.http import HttpRequest, HttpResponseBase
from django.middleware.csrf import CsrfViewMiddleware
from django.utils import translation

from screening.routes_intake import ROUTES
from screening.services.intake_desk import Pass
from screening.views.post_bench import scan, scan_as_json
from staff import clock
from staff.errors import NotFound
from staff.models import User
from staff.quick import lean_check

Respond = Callable[[HttpRequest], HttpResponseBase]
ADDRESS = re.compile(r"/post/([0-9]{1,12})/scan")
NOTHING_RUNS = "default-src 'none'; frame-ancestors 'none'"
FRESH = 30  # seconds; after that the long way renews the session's age


class ScanDoor:
    """Middleware that answers a scan of the page's script itself; it stands before the session is loaded."""

    def __init__(self, respond: Respond) -> None:
        self.respond = respond
        self.csrf = CsrfViewMiddleware(respond)

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        found = ADDRESS.fullmatch(request.path_info) if request.method == "POST" else None
        if found and "application/json" in request.headers.get("Accept", ""):
            answer = self._quick(request, int(found[1]))
            if answer is not None:
                return answer
        return self.respond(request)

    def _quick(self, request: HttpRequest, session_id: int) -> HttpResponseBase | None:
        self.csrf.process_request(request)
        if self.csrf.process_view(request, scan, (), {}) is not None:
            return None
        key, number = request.COOKIES.get(settings.SESSION_COOKIE_NAME, ""), request.POST.get("operator", "")
        if not key or not number.isdigit() or len(number) > 12:
            return None
        user = User(pk=int(number), is_active=True)
        lean_check()
        try:
            with translation.override(translation.get_language_from_request(request)):
                answer = scan_as_json(
                    by=user,
                    session_id=session_id,
                    posted=request.POST,
                    pass_=Pass(key[:40], partial(_holds, user)),
                )
        except NotFound:
            return None
        except (InterfaceError, OperationalError):
            connection.close()
            return None
        answer["X-Frame-Options"], answer["Content-Security-Policy"] = settings.X_FRAME_OPTIONS, NOTHING_RUNS
        answer["Cache-Control"], answer["Content-Length"] = "no-store", str(len(answer.content))
        return answer


def _holds(user: User, who: Mapping[str, Any]) -> bool:
    """Whether the login session is this user's, who may scan, and needs nothing done to it; fills in who they are."""
    user.username, user.full_name, user.password = who["username"], who["full_name"], who["password"]
    user._roles = frozenset(who["roles"])
    held = _held(who["session_data"], settings.SECRET_KEY)
    fits = (
        held.get(SESSION_KEY) == str(user.pk)
        and held.get(BACKEND_SESSION_KEY) in settings.AUTHENTICATION_BACKENDS
    )
    signed = hmac.compare_digest(str(held.get(HASH_SESSION_KEY, "")), user.get_session_auth_hash())
    allowed = bool(user.roles & ROUTES["screening:post-scan"].roles)
    return fits and signed and allowed and _is_fresh(held)


@lru_cache(maxsize=256)
def _held(session_data: str, _signed_with: str) -> dict[str, Any]:
    """What signed session data holds; the same text signed with the same key is read once. It is not to be changed."""
    return SessionStore().decode(session_data)


def _is_fresh(held: dict[str, Any]) -> bool:
    """Whether the session is young and was seen within the last half minute, so that nothing of it changes."""
    seconds = int(clock.now().timestamp())
    born, seen = held.get("born"), held.get("seen")
    if not isinstance(born, int) or not isinstance(seen, int):
        return False
    return 0 <= seconds - seen <= FRESH and seconds - born <= settings.SESSION_COOKIE_AGE
