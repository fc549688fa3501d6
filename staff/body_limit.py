"""Refuses a request by the size it announces, before anything reads it."""

from collections.abc import Callable
from functools import cache
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils.translation import gettext as _

from staff.routes import Door, route_table

Respond = Callable[[HttpRequest], HttpResponseBase]
HANDFUL = 1024 * 1024
"""Bytes of one scan or of any request whose address is nobody's: answered before its route is looked up."""


@cache
def _table() -> dict[str, Door]:
    return route_table()


class BodyLimit:
    """Middleware: 413 for a body above what its route takes, 411 for one that does not say its size.

    A program's door checks its own size (`staff/api/base.py`), so that its refusal is a problem document. It stands before
    everything that may look into a form: the quick way of a scan, the check of a form's token.
    """

    def __init__(self, respond: Respond) -> None:
        self.respond = respond

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if request.META.get("HTTP_TRANSFER_ENCODING"):
            return _refused(request, 411, 0)
        if request.path_info.startswith("/post/") and length_of(request) > HANDFUL:
            return _refused(request, 413, HANDFUL)
        return self.respond(request)

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: Any
    ) -> HttpResponseBase | None:
        match = request.resolver_match
        door = _table().get(match.view_name) if match else None
        if door is not None and door.token:
            return None
        most = door.largest if door is not None else HANDFUL
        return _refused(request, 413, most) if length_of(request) > most else None


def length_of(request: HttpRequest) -> int:
    """Bytes the request announces; 0 without a size or with one that is no number."""
    told = str(request.META.get("CONTENT_LENGTH") or "")
    return int(told) if told.isascii() and told.isdigit() and len(told) < 20 else 0


def _refused(request: HttpRequest, status: int, most: int) -> HttpResponse:
    sentence = (
        _(
            "At most %(mb)s MB can be sent to this address. Split the file, or have it loaded by the command line."
        )
        % {"mb": most // 1_000_000}
        if most
        else _("Send the request with its length: this server takes no body of unknown size.")
    )
    return render(request, "413.html", {"sentence": sentence}, status=status)
