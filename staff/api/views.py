"""The description of the doors, the page that shows it, and who a token belongs to."""

import json
from functools import cache
from typing import Any, ClassVar, cast

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import override
from django.views.decorators.http import require_GET
from drf_spectacular.generators import SchemaGenerator
from rest_framework import serializers
from rest_framework.request import Request

from staff.api.base import ApiView, Reads, Shown
from staff.api.does import Does
from staff.api.fields import Shape
from staff.models import ApiToken

LANGUAGE = "en-gb"


def doors_only(endpoints: list[Any], **_more: Any) -> list[Any]:
    """The description holds our own doors and nothing else; a method that an address does not have is left out."""
    found = []
    for path, regex, method, view in endpoints:
        kind = getattr(view, "cls", None)
        if method in getattr(kind, "does", {}) and getattr(kind, "described", True):
            found.append((path, regex, method, view))
    return found


@cache
def description() -> dict[str, Any]:
    """The OpenAPI description; the same as long as the process lives."""
    with override(LANGUAGE):
        generator: Any = SchemaGenerator  # untyped upstream
        found = generator().get_schema(request=None, public=True)
        return dict(json.loads(json.dumps(found, default=str)))


@require_GET
def schema(request: HttpRequest) -> HttpResponse:
    """The description for programs."""
    body = json.dumps(description(), ensure_ascii=False, indent=1)
    return HttpResponse(body, content_type="application/vnd.oai.openapi+json")


@require_GET
def docs(request: HttpRequest) -> HttpResponse:
    """The description for people: no script, nothing from another host."""
    from staff.api.docs import chapters

    found = description()
    return render(request, "staff/api_docs.html", {"chapters": chapters(found), "info": found["info"]})


class MeShape(Shape):
    """A client as the registry knows it."""

    name = serializers.CharField()
    roles = serializers.ListField(child=serializers.CharField())
    sites = serializers.ListField(child=serializers.CharField(), allow_null=True)
    token_begins = serializers.CharField()
    token_expires = serializers.DateTimeField()


class Me(Reads, ApiView):
    """Who this token is, what it may do, and until when."""

    does: ClassVar = {
        "GET": Does(
            name="me", part="Clients", summary="Who this token belongs to and until when", gives=MeShape,
            example={
                "name": "Harbour hospital", "roles": ["clinician"], "sites": ["QCU"], "token_begins": "rbk_Ab3x",
                "token_expires": "2027-06-17T11:00:00Z",
            },
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The client of the token that came with the request."""
        token = cast(ApiToken, request.auth)
        sites = {
            posting.site.code if posting.site else "" for posting in self.by.postings.select_related("site")
        }
        data = {
            "name": self.by.full_name, "roles": sorted(self.by.roles), "sites": None if "" in sites else sorted(sites),
            "token_begins": token.hint, "token_expires": token.expires_at,
        }  # fmt: skip
        return Shown(MeShape(data).data)
