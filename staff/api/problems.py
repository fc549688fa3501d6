"""Refusals as problem details (RFC 9457): status, a stable code, and a sentence that says what to do next."""

from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from django.utils.translation import gettext as _
from rest_framework import exceptions
from rest_framework.response import Response

from staff.errors import RoundbookError

MEDIA_TYPE = "application/problem+json"
CHANGED_MEANWHILE = "stale"
"""A service's word for "somebody was faster"; over HTTP it is the answer to `If-Match`."""

CODES = {
    exceptions.NotAuthenticated: "token_missing",
    exceptions.AuthenticationFailed: "token_refused",
    exceptions.PermissionDenied: "not_allowed",
    exceptions.NotFound: "not_found",
    exceptions.MethodNotAllowed: "method_not_allowed",
    exceptions.NotAcceptable: "not_acceptable",
    exceptions.UnsupportedMediaType: "media_type_unknown",
    exceptions.Throttled: "too_many_requests",
    exceptions.ParseError: "not_json",
    exceptions.ValidationError: "not_valid",
}


class TooLarge(exceptions.APIException):
    """The body is larger than this address takes (413)."""

    status_code = 413
    default_code = "too_large"


class PreconditionMissing(exceptions.APIException):
    """A change of something people edit too must say which version it means (428)."""

    status_code = 428
    default_code = "if_match_missing"


class KeyMissing(exceptions.APIException):
    """A request that changes something must carry its key (400)."""

    status_code = 400
    default_code = "key_missing"


Problem = tuple[int, dict[str, Any], dict[str, str]]


def problem(status: int, code: str, sentence: object, **more: Any) -> dict[str, Any]:
    """The body of a refusal."""
    body = {
        "type": f"/api/docs#{code}", "title": HTTPStatus(status).phrase, "status": status, "code": code,
        "detail": str(sentence),
    }  # fmt: skip
    return body | more


def problem_of(error: Exception) -> Problem | None:
    """Status, body and headers of a refusal; None for what is not a refusal but our own mistake."""
    if isinstance(error, RoundbookError):
        status = 412 if error.code == CHANGED_MEANWHILE else error.status
        data = {key: value for key, value in error.data.items() if isinstance(value, str | int | bool)}
        return status, problem(status, error.code, error.sentence, data=data), {}
    if isinstance(error, Http404):
        return 404, problem(404, "not_found", _("There is nothing here, or nothing this client may know of.")), {}
    if isinstance(error, PermissionDenied):
        return 403, problem(403, "not_allowed", _("This client may not do that.")), {}
    if isinstance(error, exceptions.APIException):
        return _of_framework(error)
    return None


def _of_framework(error: exceptions.APIException) -> Problem:
    headers: dict[str, str] = {}
    if getattr(error, "auth_header", ""):
        headers["WWW-Authenticate"] = str(error.auth_header)  # type: ignore[attr-defined]
    if getattr(error, "wait", None):
        headers["Retry-After"] = str(int(error.wait) + 1)  # type: ignore[attr-defined]
    code = CODES.get(type(error), str(error.default_code))
    if isinstance(error, exceptions.ValidationError):
        errors = list(_flat(error.get_full_details(), ""))
        words = _("Correct the fields named in “errors”, then send it with a new key.")
        return error.status_code, problem(error.status_code, code, words, errors=errors), headers
    return error.status_code, problem(error.status_code, code, error.detail), headers


def _flat(details: Any, path: str) -> "Any":
    """Every field with its complaint, nested ones by a path of keys and numbers."""
    if isinstance(details, dict) and set(details) == {"message", "code"} and isinstance(details["code"], str):
        yield {"field": path or "body", "code": details["code"], "detail": str(details["message"])}
    elif isinstance(details, dict):
        for key, value in details.items():
            yield from _flat(value, f"{path}.{key}" if path else str(key))
    elif isinstance(details, list):
        leaves = all(isinstance(one, dict) and set(one) == {"message", "code"} for one in details)
        for nth, value in enumerate(details):
            yield from _flat(value, path if leaves else f"{path}.{nth}")


def problem_response(error: Exception) -> Response | None:
    """The refusal as a response; None for what is our own mistake."""
    found = problem_of(error)
    if found is None:
        return None
    status, body, headers = found
    return Response(body, status=status, headers=headers, content_type=MEDIA_TYPE)


def handle(error: Exception, context: Any) -> Response | None:
    """The framework's exception handler."""
    return problem_response(error)
