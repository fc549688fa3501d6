"""Refuses a request by the size it announces, before anything reads it."""

from collections.abc import Callable
from functools import cache
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils.translation import gettext as _

from staff.routes import Door, route_table

Respond = Callable[[HttpRequest], HttpResponseBase]
SMALL = 32 * 1024
"""Bytes that the web server drops by itself."""
MOST_DRAINED = 33 * 1024 * 1024
"""Bytes of a refused body that are read and dropped: what the proxy lets through; whoever sends more is hung up on."""
HANDFUL = 1024 * 1024
"""Bytes of one scan or of any request whose address is nobody's: answered before its route is looked up."""


@cache
def _table() -> dict[str, Door]:
    return route_table()


class BodyLimit:
    """Middleware: 413 for a body above what its route takes, 411 for one that does not say its size.

    A program's door checks its own size (`staff/api/base.py`), so that its refusal is a problem document. It stands before
    everything that may look into a form: the quick way of a scan, the check of a form's token.

    A body that nobody read is read and dropped before the answer goes out: the web server would hang up on the rest of it,
    and the proxy, still sending or about to use that connection again, would say “away” in place of our refusal.
    """

    def __init__(self, respond: Respond) -> None:
        self.respond = respond

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if request.META.get("HTTP_TRANSFER_ENCODING"):
            return _refused(request, 411, 0)
        length = length_of(request)
        if request.path_info.startswith("/post/") and length > HANDFUL:
            answer: HttpResponseBase = _refused(request, 413, HANDFUL)
        else:
            answer = self.respond(request)
        if SMALL < length <= MOST_DRAINED:
            _drain(request)
        return answer

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: Any
    ) -> HttpResponseBase | None:
        match = request.resolver_match
        door = _table().get(match.view_name) if match else None
        if door is not None and door.token:
            return None
        most = door.largest if door is not None else HANDFUL
        return _refused(request, 413, most) if length_of(request) > most else None


def _drain(request: HttpRequest) -> None:
    try:
        while request.read(65_536):
            pass
    except OSError:  # the sender has gone
        pass


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
