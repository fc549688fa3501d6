"""The OpenAPI 3 description: written from what each view says it does, with an example of everything."""

from typing import Any, Literal, cast

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, OpenApiResponse
from rest_framework import serializers

from staff.api.does import Does
from staff.api.fields import Nothing, Shape
from staff.api.problems import MEDIA_TYPE, problem

HEADER: Literal["header"] = "header"
KEY = OpenApiParameter(
    "Idempotency-Key", {"type": "string", "minLength": 1, "maxLength": 100, "pattern": "^[!-~]{1,100}$"}, HEADER,
    required=True, description="A new key of your own for each new request; the same key again gets the same answer.",
    examples=[OpenApiExample("key", value="9b1f6a5e-2c0d-4a7e-8f30-5f2f1f6f0a11", parameter_only=("Idempotency-Key", "header"))],
)  # fmt: skip
IF_MATCH = OpenApiParameter(
    "If-Match", str, HEADER, required=True,
    description="The `ETag` of the version you read. Refused with 412 when somebody changed it meanwhile.",
)  # fmt: skip
IF_NONE_MATCH = OpenApiParameter(
    "If-None-Match",
    str,
    HEADER,
    description="The `ETag` you know; answered 304 without a body when it is still so.",
)
PAGING = (
    OpenApiParameter(
        "cursor", {"type": "string", "maxLength": 40}, description="Where to go on, from `next`."
    ),
    OpenApiParameter(
        "limit", {"type": "integer", "minimum": 1, "maximum": 200, "default": 50}, description="How many."
    ),
)


class FieldProblem(Shape):
    """What is wrong with one field."""

    field = serializers.CharField()
    code = serializers.CharField()
    detail = serializers.CharField()


class ProblemShape(Shape):
    """A refusal (RFC 9457). `code` is stable, `detail` is for people and may change."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    code = serializers.CharField()
    detail = serializers.CharField()
    errors = FieldProblem(many=True, required=False)  # type: ignore[assignment]
    data = serializers.DictField(required=False)  # type: ignore[assignment]


ALWAYS = {
    400: ("not_valid", "Correct the fields named in “errors”, then send it with a new key."),
    401: ("token_missing", "Authentication credentials were not provided."),
    403: ("role_missing", "This client's role is not allowed to do this. Ask the administrator."),
    404: ("not_found", "There is nothing here, or nothing this client may know of."),
    406: ("not_acceptable", "Ask for application/json."),
    429: ("too_many_requests", "Ask less often."),
}
CHANGING = {
    409: ("illegal_move", "This is not in a state from which that can happen."),
    413: ("too_large", "The body is larger than this address takes."),
    415: ("media_type_unknown", "Send what the schema names."),
    422: ("key_reused", "This key was used for another request. Use a new key for each new request."),
}
MATCHED = {
    412: ("stale", "Somebody changed this meanwhile. Read it again, then decide."),
    428: ("if_match_missing", "Send If-Match with the ETag you read."),
}
READING = {422: ("not_so", "What was asked cannot be answered so; the detail says why.")}


def page_shape(shape: type[serializers.BaseSerializer]) -> type[Shape]:
    """A page of things with the address of the next."""
    name = shape.__name__.removesuffix("Shape")
    fields = {
        "items": shape(many=True), "next": serializers.CharField(allow_null=True),
        "__doc__": f"Some of the {name.lower()} rows, and where the next ones are.", "__module__": shape.__module__,
    }  # fmt: skip
    return type(f"{name}PageShape", (Shape,), fields)


class DoesSchema(AutoSchema):
    """Reads `view.does[method]` in place of guessing."""

    @property
    def _does(self) -> Does:
        found: Does = cast(Any, self.view).does[self.method.upper()]
        return found

    def get_operation_id(self) -> str:
        """Its own name."""
        return self._does.name

    def get_summary(self) -> str:
        """One line."""
        return self._does.summary

    def get_description(self) -> str:  # type: ignore[override]
        """More words, where there are any."""
        return self._does.words

    def get_tags(self) -> list[str]:
        """The part of the work."""
        return [self._does.part]

    def get_auth(self) -> list[dict[str, list[str]]]:
        """Every address wants a token."""
        return [{"token": []}]

    def get_override_parameters(self) -> list[Any]:
        """Headers and filters."""
        does = self._does
        if self.method == "POST":
            return [KEY, *([IF_MATCH] if does.if_match else []), *does.query]
        etag = [IF_NONE_MATCH] if does.etag else []
        return [*does.query, *(PAGING if does.paged else ()), *etag]

    def map_parsers(self) -> list[str]:
        """What may be sent."""
        return ["text/csv"] if self._does.csv else ["application/json"]

    def map_renderers(self, attribute: str) -> list[str]:
        """What comes back: JSON; another form of it is told in the words."""
        return ["application/json"]

    def get_request_serializer(self) -> Any:
        """The shape of what is sent."""
        if self._does.csv:
            return OpenApiTypes.STR
        return OpenApiTypes.OBJECT if self._does.takes is Nothing else self._does.takes

    def get_response_serializers(self) -> Any:
        """The shape of the answer, and of every refusal."""
        does = self._does
        shape = page_shape(does.gives) if does.paged else does.gives
        answers: dict[Any, Any] = {does.status: OpenApiResponse(response=shape, description=does.summary)}
        refusals = (
            dict(ALWAYS)
            | (CHANGING if self.method == "POST" else READING)
            | (MATCHED if does.if_match else {})
        )
        for status, (code, words) in refusals.items():
            example = OpenApiExample(code, value=problem(status, code, words), response_only=True)
            answers[(status, MEDIA_TYPE)] = OpenApiResponse(
                ProblemShape, description=words, examples=[example]
            )
        if does.etag and self.method == "GET":
            answers[304] = OpenApiResponse(description="It is still so.")
        return answers

    def get_examples(self) -> list[OpenApiExample]:
        """What is sent and what comes back."""
        does = self._does
        found = [
            OpenApiExample(
                "answer", value=does.answer_example, response_only=True, status_codes=[str(does.status)]
            )
        ]
        if self.method == "POST":
            found.append(OpenApiExample("request", value=does.sends, request_only=True))
        return found


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """How a token is sent."""

    target_class = "staff.api.tokens.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: AutoSchema) -> dict[str, str]:
        """A bearer token."""
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "The token of your client, made by the administrator.",
        }
