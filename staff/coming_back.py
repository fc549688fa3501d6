"""Where to go on after a form that was lost: the page it stood on, never an address that only takes forms."""

from urllib.parse import urlencode, urlsplit

from django.conf import settings
from django.http import HttpRequest
from django.shortcuts import resolve_url
from django.urls import Resolver404, resolve
from django.utils.http import url_has_allowed_host_and_scheme

from staff.models import User
from staff.routes import Door

LOST = "lost"
"""Set at the sign-in page when a form was sent that nobody was signed in for."""
READING = ("GET", "HEAD")


def page_of(request: HttpRequest) -> str:
    """The page of ours that sent this request, as path and query; empty when the browser does not say."""
    told = request.headers.get("Referer", "")
    parts = urlsplit(told)
    if not url_has_allowed_host_and_scheme(told, {request.get_host()}, require_https=request.is_secure()):
        return ""
    page = f"{parts.path}?{parts.query}" if parts.query else parts.path
    ours = page.startswith("/") and url_has_allowed_host_and_scheme(page, None)
    return page if ours and parts.path != resolve_url(settings.LOGIN_URL) else ""


def sign_in_address(request: HttpRequest, *, fragment: bool) -> str:
    """The sign-in page, and after it the page asked for; after a lost form or a fragment, the page that sent it."""
    at = resolve_url(settings.LOGIN_URL)
    if request.path == resolve_url("staff:sign-out"):
        return at
    reading = request.method in READING
    back = request.get_full_path() if reading and not fragment else page_of(request)
    facts = ({"next": back} if back else {}) | ({} if reading else {LOST: "1"})
    return f"{at}?{urlencode(facts, safe='/')}" if facts else at


def page_above(request: HttpRequest, table: dict[str, Door]) -> str:
    """The nearest page above an address that only takes forms, if this user may open it: a person above a note."""
    path = request.path.rstrip("/")
    while path := path.rpartition("/")[0]:
        try:
            found = table.get(resolve(f"{path}/").view_name)
        except Resolver404:
            continue
        user = request.user
        if found and isinstance(user, User) and user.roles & found.roles:
            return f"{path}/"
    return ""
