"""Refusals of the FHIR facade: an OperationOutcome in place of problem details, with the same stable codes and sentences."""

from typing import Any

from rest_framework.response import Response

from staff.api.problems import problem_of
from staff.errors import RoundbookError
from staff.fhir.parts import Json, filled

MEDIA_TYPE = "application/fhir+json"
BY_STATUS = {
    400: "invalid", 401: "login", 403: "forbidden", 404: "not-found", 405: "not-supported", 406: "not-supported",
    409: "conflict", 412: "conflict", 415: "not-supported", 429: "throttled",
}  # fmt: skip
"""HTTP status → issue type. Source: FHIR R4, value set issue-type."""


class SearchRefused(RoundbookError):
    """A search that is not answered (400): `code` is the FHIR issue type, `invalid`, `not-supported` or `too-costly`."""

    status = 400


def outcome(issue: str, code: str, sentence: object, fields: list[str] | None = None) -> Json:
    """An OperationOutcome of one error."""
    found: Json = filled({
        "resourceType": "OperationOutcome",
        "issue": [{
            "severity": "error", "code": issue, "details": {"coding": [{"code": code}], "text": str(sentence)},
            "diagnostics": "; ".join(fields or ()),
        }],
    })  # fmt: skip
    return found


def handle(error: Exception, context: Any) -> Response | None:
    """The exception handler of the facade's views; None for what is our own mistake."""
    found = problem_of(error)
    if found is None:
        return None
    status, body, headers = found
    issue = error.code if isinstance(error, SearchRefused) else BY_STATUS.get(status, "processing")
    fields = [f"{one['field']}: {one['detail']}" for one in body.get("errors", ())]
    data = outcome(issue, body["code"], body["detail"], fields)
    return Response(data, status=status, headers=headers, content_type=MEDIA_TYPE)
