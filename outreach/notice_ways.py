"""How a notice reaches a doctor's system: an HTTP POST to its address, or a file in its folder; each safe to repeat."""

import json
import os
import ssl
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from django.conf import settings
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext as _

from staff.fhir.outcome import MEDIA_TYPE

LARGEST_ANSWER = 16_384
LATER = frozenset({408, 425, 429})
"""Refusals that ask to come again; every other 4xx would be the same the next time. Source: RFC 9110, RFC 6585, RFC 8470."""


class NotTaken(Exception):
    """It was not taken, or nobody knows: `words` for people; `final` when asking again would change nothing."""

    def __init__(self, words: str, *, final: bool = False) -> None:
        super().__init__(words)
        self.words, self.final = words, final


def address_trouble(address: str) -> str:
    """Why notices cannot be sent to this address, or nothing: it must be https, or this machine itself."""
    parts = _split(address)
    if (
        parts is None
        or parts.scheme not in ("http", "https")
        or not parts.hostname
        or parts.username
        or parts.fragment
    ):
        return _("Write a whole address such as https://practice.example/fhir/Communication.")
    if parts.scheme == "http" and not _is_here(parts.hostname):
        return _("Write an address that begins with https: what is sent names people.")
    return ""


def _split(address: str) -> SplitResult | None:
    try:
        parts = urlsplit(address)
        return parts if parts.port is None or parts.port > 0 else None
    except ValueError:
        return None


def _is_here(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def token_for(*, practice: str, address: str) -> str:
    """What we show to a practice's system so that it knows us: its own for each practice and address, kept nowhere."""
    return salted_hmac("outreach.notices", f"{practice}|{address}", algorithm="sha256").hexdigest()[:40]


def posted(*, address: str, practice: str, system: str, reference: str, body: str) -> str:
    """POST it and give the receipt; NotTaken otherwise.

    `If-None-Exist` names its identifier, so that a FHIR server that has it makes no second one (FHIR R4, conditional
    create); `Idempotency-Key` says the same to others. Redirects are not followed.
    """
    parts = urlsplit(address)
    headers = {
        "Content-Type": MEDIA_TYPE, "Accept": MEDIA_TYPE, "Idempotency-Key": reference,
        "If-None-Exist": f"identifier={system}|{reference}",
        "Authorization": f"Bearer {token_for(practice=practice, address=address)}",
    }  # fmt: skip
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    link = _connection(parts)
    try:
        link.request("POST", target, body.encode(), headers)
        answer = link.getresponse()
        text = answer.read(LARGEST_ANSWER)
    except (OSError, HTTPException, ValueError) as error:
        raise NotTaken(trouble_words(error)) from error
    finally:
        link.close()
    if 200 <= answer.status < 300:
        return _receipt(answer, text)
    words, final = _refusal(answer.status)
    raise NotTaken(words, final=final)


def _connection(parts: SplitResult) -> HTTPConnection:
    seconds = settings.NOTICE_SECONDS
    if parts.scheme == "https":
        return HTTPSConnection(
            parts.hostname or "", parts.port, timeout=seconds, context=ssl.create_default_context()
        )
    return HTTPConnection(parts.hostname or "", parts.port, timeout=seconds)


def _receipt(answer: HTTPResponse, text: bytes) -> str:
    """What the other system calls it: its address there, else its id, else that it was taken."""
    told = answer.headers.get("Location", "") or _of_json(text, "id") or str(answer.status)
    return told.encode("utf-8", "replace").decode()[:200].replace("\x00", " ")


def _of_json(text: bytes, name: str) -> str:
    try:
        found = json.loads(text)
    except ValueError:
        return ""
    return str(found.get(name, "")) if isinstance(found, dict) else ""


def _refusal(status: int) -> tuple[str, bool]:
    """(what to do about a refusal, whether asking again would change nothing)."""
    if status in (401, 403):
        words = _(
            "The practice's system does not let us in (%(status)s). Give the practice the token on this page."
        )
    elif status in (404, 410):
        words = _(
            "The practice's system knows no such address (%(status)s). Ask the practice for the right one."
        )
    elif 300 <= status < 400:
        words = _(
            "The practice's system points elsewhere (%(status)s). Ask the practice for its new address."
        )
    elif status in LATER or status >= 500:
        words = _("The practice's system has trouble of its own (%(status)s). It is asked again.")
    else:
        words = _("The practice's system refused it (%(status)s). Ask the practice why.")
    return words % {"status": status}, status < 500 and status not in LATER


def trouble_words(error: Exception) -> str:
    """What went wrong on the way, and what to do."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _("The certificate of the practice's system is not valid. The practice must renew it.")
    if isinstance(error, TimeoutError):
        return _("The practice's system did not answer in time. Ask the practice whether it is running.")
    if isinstance(error, ConnectionRefusedError):
        return _("Nobody answers at this address. Ask the practice whether its system is running.")
    if isinstance(error, OSError) and getattr(error, "errno", None) in (-2, -3, -5):
        return _("No machine has this name. Check the address.")
    return _("The connection broke before an answer came. Nobody knows whether it arrived; it is sent again.")


def put_in_folder(*, practice: str, reference: str, body: str) -> str:
    """Write it whole into the practice's folder, unless it is there; the receipt is the file's name."""
    folder = Path(settings.NOTICE_FOLDER) / practice
    path = folder / f"{reference}.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            draft = folder / f".{reference}.{os.getpid()}"
            with draft.open("w", encoding="utf-8") as out:
                out.write(body)
                out.flush()
                os.fsync(out.fileno())
            draft.replace(path)
    except OSError as error:
        told = {"why": error.strerror or type(error).__name__}
        raise NotTaken(
            _("The folder cannot be written: %(why)s. Ask whoever runs this machine.") % told
        ) from error
    return path.name
