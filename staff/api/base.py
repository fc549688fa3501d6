"""The views that all doors are made of: one reads, one acts once for each key; neither knows a rule."""

import base64
import re
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO
from typing import Any, ClassVar, cast

from django.db import DatabaseError, connection, transaction
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.utils.translation import gettext as _
from rest_framework.exceptions import ParseError, UnsupportedMediaType, ValidationError
from rest_framework.parsers import BaseParser, JSONParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from staff.api.does import Does
from staff.api.problems import MEDIA_TYPE, KeyMissing, PreconditionMissing, TooLarge, problem_of
from staff.api.schema import DoesSchema
from staff.api.tokens import DoorPermission, TokenAuthentication, TokenThrottle
from staff.models import ApiToken, User
from staff.services.answers import Answer, answer_once, request_digest

KEY = re.compile(r"[!-~]{1,100}")
MOST, USUAL = 200, 50
JSON = "application/json"


@dataclass(frozen=True)
class Shown:
    """What is shown, and the tag of this version of it where people edit it."""

    data: Any
    tag: str = ""
    headers: dict[str, str] = field(default_factory=dict)


class CsvParser(BaseParser):
    """A file as it is; its size was checked before."""

    media_type = "text/csv"

    def parse(self, stream: Any, media_type: str | None = None, parser_context: Any = None) -> Any:
        """The bytes."""
        return bytes(stream.read())


class ApiView(APIView):
    """An address for programs: token, route table, throttle, problem details."""

    authentication_classes = (TokenAuthentication,)
    permission_classes = (DoorPermission,)
    throttle_classes = (TokenThrottle,)
    parser_classes: Any = (JSONParser,)
    renderer_classes = (JSONRenderer,)
    schema = DoesSchema()
    does: ClassVar[Mapping[str, Does]] = {}

    @property
    def by(self) -> User:
        """Who acts: the client's user."""
        return cast(User, self.request.user)

    def get_exception_handler(self) -> Any:
        """Refusals as problem details."""
        from staff.api.problems import handle

        return handle


class Reads(ApiView, ABC):
    """An address that shows something."""

    @abstractmethod
    def show(self, request: Request, **at: Any) -> Shown:
        """What is shown; called inside a transaction, so that looks are journalled in it."""

    def get(self, request: Request, **at: Any) -> Response:
        """Answer, or 304 when the client knows this version."""
        with transaction.atomic():
            shown = self.show(request, **at)
        headers = dict(shown.headers) | ({"ETag": f'"{shown.tag}"'} if shown.tag else {})
        if shown.tag and shown.tag in _tags(request.headers.get("If-None-Match", "")):
            return Response(status=304, headers=headers)
        return Response(shown.data, headers=headers)


class Acts(ApiView, ABC):
    """An address that changes something, once for each `Idempotency-Key`."""

    parser_classes = (JSONParser, CsvParser)

    @abstractmethod
    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """One call of a service with what was given."""

    def post(self, request: Request, **at: Any) -> HttpResponseBase:
        """Do it, or repeat the answer it got."""
        does = self.does["POST"]
        key = request.headers.get("Idempotency-Key", "")
        if not KEY.fullmatch(key):
            raise KeyMissing(
                _("Send an Idempotency-Key of 1 to 100 visible characters, new for each new request.")
            )
        raw = _body(request, does)
        condition = request.headers.get("If-Match", "")
        digest = request_digest("POST", request.get_full_path(), condition, raw)
        client = cast(ApiToken, request.auth).client
        answer = answer_once(
            client=client, key=key, digest=digest, work=lambda: self._answer(request, raw, at)
        )
        return _as_response(answer)

    def _answer(self, request: Request, raw: bytes, at: Mapping[str, Any]) -> Answer:
        """What it came to: refusals are answers too; whatever was half done is taken back first."""
        try:
            with transaction.atomic():
                shown = self.act(request, self._given(request, raw), **at)
                with connection.cursor() as cursor:
                    cursor.execute("SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED")
        except DatabaseError:
            raise
        except Exception as error:
            found = problem_of(error)
            if found is None:
                raise
            status, body, headers = found
            return Answer(status, _rendered(body), headers | {"Content-Type": MEDIA_TYPE})
        headers = dict(shown.headers) | ({"ETag": f'"{shown.tag}"'} if shown.tag else {})
        return Answer(self.does["POST"].status, _rendered(shown.data), headers | {"Content-Type": JSON})

    def _given(self, request: Request, raw: bytes) -> Any:
        does = self.does["POST"]
        if does.csv:
            return raw
        try:
            data = JSONParser().parse(BytesIO(raw), JSON, {"encoding": "utf-8"})
        except RecursionError as error:
            raise ParseError(_("This is nested too deeply.")) from error
        shape = does.takes(data=data)
        shape.is_valid(raise_exception=True)
        return shape.validated_data

    def seen(self, prefix: str) -> int:
        """The version the client means, from `If-Match`."""
        found = re.fullmatch(rf'"{prefix}-([0-9]{{1,9}})"', self.request.headers.get("If-Match", "").strip())
        if not self.request.headers.get("If-Match"):
            raise PreconditionMissing(
                _("Send If-Match with the ETag you read, so that nothing of others is overwritten.")
            )
        return int(found[1]) if found else -1


def _body(request: Request, does: Does) -> bytes:
    """The body as it came, refused before it is read when it is too large or of another kind."""
    kind = request.content_type.split(";")[0].strip().lower() if request.content_type else ""
    wanted = "text/csv" if does.csv else JSON
    length = int(request.META.get("CONTENT_LENGTH") or 0)
    if length > does.largest:
        raise TooLarge(_("At most %(n)s bytes are taken here.") % {"n": does.largest})
    if kind != wanted:
        raise UnsupportedMediaType(kind[:80], detail=_("Send %(kind)s.") % {"kind": wanted})
    source: HttpRequest = request._request
    raw = source.read(length) if length else b""
    return bytes(raw)


def _rendered(data: Any) -> str:
    return bytes(JSONRenderer().render(data)).decode()


def _as_response(answer: Answer) -> HttpResponse:
    headers = dict(answer.headers)
    response = HttpResponse(answer.body, status=answer.status, content_type=headers.pop("Content-Type", JSON))
    for name, value in headers.items():
        response[name] = value
    if answer.repeated:
        response["Answer-Repeated"] = "true"
    return response


def _tags(header: str) -> set[str]:
    return {part.strip().removeprefix("W/").strip('"') for part in header.split(",") if part.strip()}


def page_of(
    request: Request, rows: QuerySet[Any], shape: Any, *, newest_first: bool = True
) -> tuple[list[Any], Any]:
    """The rows of the page asked for, and the page; the cursor is the number of the last row shown."""
    limit, after = _whole(request, "limit", USUAL), _cursor(request)
    if after is not None:
        rows = rows.filter(pk__lt=after) if newest_first else rows.filter(pk__gt=after)
    found = list(rows.order_by("-pk" if newest_first else "pk")[: limit + 1])
    more, found = len(found) > limit, found[:limit]
    following = None
    if more:
        query = request.query_params.copy()
        query["cursor"] = base64.urlsafe_b64encode(f"k{found[-1].pk}".encode()).decode().rstrip("=")
        following = f"{request.path}?{query.urlencode()}"
    return found, {"items": shape(found, many=True).data, "next": following}


def _whole(request: Request, name: str, usual: int) -> int:
    text = request.query_params.get(name, str(usual))
    if not re.fullmatch("[0-9]{1,3}", text) or not 1 <= int(text) <= MOST:
        raise ValidationError({name: [_("Give a whole number from 1 to 200.")]})
    return int(text)


def _cursor(request: Request) -> int | None:
    text = request.query_params.get("cursor", "")
    if not text:
        return None
    try:
        raw = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode()
    except ValueError:
        raw = ""
    if not re.fullmatch("k[0-9]{1,18}", raw):
        raise ValidationError({"cursor": [_("Take the cursor from “next” as it is, or leave it out.")]})
    return int(raw[1:])


def asked(request: Request, shape: type[Any]) -> dict[str, Any]:
    """The filters of the address, read by a shape; ValidationError names what is wrong."""
    found = shape(data=request.query_params.dict())
    found.is_valid(raise_exception=True)
    return dict(found.validated_data)
