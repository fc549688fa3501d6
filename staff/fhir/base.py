"""The views of the FHIR facade: one resource by its id, and a search with its pages; both journal whom they show."""

from abc import ABC
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from django.conf import settings
from django.db import transaction
from django.db.models import QuerySet
from django.http import Http404
from django.utils.translation import gettext as _
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from staff import clock
from staff.access import look_recorded
from staff.api.base import Reads, Shown, _tags
from staff.api.does import Does
from staff.api.fields import Nothing
from staff.fhir.outcome import MEDIA_TYPE, SearchRefused, handle
from staff.fhir.parts import Frame, Json, bundle, filled, http_date
from staff.fhir.search import Param, cursor_of, ids, page_asked, params_checked
from staff.models import Purpose, User


@dataclass(frozen=True)
class Resource:
    """One resource type: which rows a client may know of, how one is built, whose it is, and what finds it.

    `rows` are unordered, each with its key in `key`. `needs`: parameter (or empty, for every search) → the parameters of
    which one must be given with it, so that the cost of a search follows its page and not the registry.
    """

    name: str
    words: str
    rows: Callable[[User], QuerySet[Any]]
    build: Callable[[Any, Frame], Json]
    person: Callable[[Any], int]
    params: Mapping[str, Param] = field(default_factory=dict)
    key: str = "pk"
    needs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def known(self) -> dict[str, Param]:
        """Every search parameter."""
        return {
            "_id": Param("token", "Logical id; several separated by commas.", ids(self.key)),
            **self.params,
        }


class FhirRenderer(JSONRenderer):
    """JSON under the name that FHIR gives it."""

    media_type = MEDIA_TYPE


def frame_now() -> Frame:
    """The frame of this installation."""
    return Frame(settings.FHIR_SYSTEMS, clock.zone())


class FhirView(Reads, ABC):
    """An address of the facade: the token, table and throttle of every door; refusals as OperationOutcome."""

    renderer_classes: Any = (FhirRenderer, JSONRenderer)
    resource: ClassVar[Resource]
    described = False
    """The CapabilityStatement describes it, not the OpenAPI document."""

    def get_exception_handler(self) -> Any:
        """Refusals as OperationOutcome."""
        return handle

    def get(self, request: Request, **at: Any) -> Response:
        """Answer, or 304 when the client knows this version."""
        with transaction.atomic():
            shown = self.show(request, **at)
        headers = dict(shown.headers) | ({"ETag": f'W/"{shown.tag}"'} if shown.tag else {})
        if shown.tag and shown.tag in _tags(request.headers.get("If-None-Match", "")):
            return Response(status=304, headers=headers)
        return Response(shown.data, headers=headers)

    def journal(self, rows: list[Any]) -> None:
        """Write down whose records are given out, in the transaction that reads them."""
        people = [self.resource.person(row) for row in rows]
        look_recorded(
            by=self.by, person_ids=people, purpose=Purpose.EXPORT, place=f"fhir:{self.resource.name}"
        )


class One(FhirView):
    """One resource by its id."""

    def show(self, request: Request, **at: Any) -> Shown:
        """The resource, journalled; 404 where there is none or none this client may know of."""
        params_checked(dict(request.query_params.lists()), {})
        row = self.resource.rows(self.by).filter(**{self.resource.key: at["pk"]}).first()
        if row is None:
            raise Http404
        self.journal([row])
        found: Json = filled(self.resource.build(row, frame_now()))
        updated = getattr(row, "updated", None)
        headers = {"Last-Modified": http_date(updated)} if updated else {}
        return Shown(found, tag=found.get("meta", {}).get("versionId", ""), headers=headers)


class Many(FhirView):
    """A search."""

    def show(self, request: Request, **at: Any) -> Shown:
        """One page of what is found, newest first, each person journalled; `next` goes on from the last key."""
        given = dict(request.query_params.lists())
        resource, frame = self.resource, frame_now()
        asked, page = params_checked(given, resource.known), page_asked(given)
        _narrow_enough(resource, asked)
        rows = resource.rows(self.by)
        for name, values in asked.items():
            rows = resource.known[name].narrow(rows, values, frame)
        if page.after is not None:
            rows = rows.filter(**{f"{resource.key}__lt": page.after})
        found = list(rows.order_by(f"-{resource.key}")[: page.count + 1])
        more, found = len(found) > page.count, found[: page.count]
        self.journal(found)
        base = request.build_absolute_uri(request.path).rsplit("/", 1)[0]
        following = self._following(request, getattr(found[-1], resource.key)) if more else ""
        built = [filled(resource.build(row, frame)) for row in found]
        here = request.build_absolute_uri(request.get_full_path())
        return Shown(bundle(built, base=base, self_url=here, next_url=following))

    def _following(self, request: Request, key: int) -> str:
        query = request.query_params.copy()
        query["_cursor"] = cursor_of(key)
        return request.build_absolute_uri(f"{request.path}?{query.urlencode()}")


def _narrow_enough(resource: Resource, asked: Mapping[str, Any]) -> None:
    for name, others in resource.needs.items():
        if (not name or name in asked) and not set(others) & set(asked):
            told = {"with": name or resource.name, "others": ", ".join(others)}
            raise SearchRefused(
                "too-costly", _("A search by %(with)s needs one of these too: %(others)s.") % told
            )


def doors_of(resource: Resource) -> tuple[type[One], type[Many]]:
    """The two views of a resource type."""

    def does(name: str, summary: str) -> dict[str, Does]:
        return {"GET": Does(name=name, part="FHIR", summary=summary, gives=Nothing, example={})}

    one = {
        "resource": resource, "does": does(f"fhir_{resource.name}", resource.words), "__doc__": resource.words,
    }  # fmt: skip
    many = one | {"does": does(f"fhir_{resource.name}_search", resource.words)}
    return type(f"One{resource.name}", (One,), one), type(f"Many{resource.name}", (Many,), many)
