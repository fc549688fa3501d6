"""Where a request comes from: the address the nearest trusted proxy wrote down, never one the client chose."""

from ipaddress import ip_address

from django.conf import settings
from django.http import HttpRequest


def address_of(request: HttpRequest) -> str | None:
    """The client's address behind `TRUSTED_PROXIES` proxies; without any, the address of the connection."""
    own = request.META.get("REMOTE_ADDR") or None
    count = int(settings.TRUSTED_PROXIES)
    written = [part.strip() for part in request.META.get("HTTP_X_FORWARDED_FOR", "").split(",")]
    if count < 1 or len(written) < count:
        return own
    try:
        return str(ip_address(written[-count]))
    except ValueError:
        return own
