"""The CapabilityStatement for everybody, and a refusal in FHIR's own words for addresses that are none."""

from importlib.metadata import PackageNotFoundError, version

from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext as _
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_GET
from rest_framework.renderers import JSONRenderer

from outreach.fhir.resources import RESOURCES as OF_OUTREACH
from oversight.fhir.capability import capability
from results.fhir.resources import RESOURCES as OF_RESULTS
from screening.fhir.resources import RESOURCES as OF_SCREENING
from staff import clock
from staff.fhir.outcome import MEDIA_TYPE, outcome
from staff.fhir.parts import Json

RESOURCES = (*OF_SCREENING, *OF_RESULTS, *OF_OUTREACH)


def _software() -> str:
    try:
        return version("roundbook")
    except PackageNotFoundError:
        return "0.1.0"


def _said(data: Json, status: int = 200) -> HttpResponse:
    return HttpResponse(JSONRenderer().render(data), status=status, content_type=MEDIA_TYPE)


@require_GET
def metadata(request: HttpRequest) -> HttpResponse:
    """The CapabilityStatement."""
    url = request.build_absolute_uri(request.path).rsplit("/", 1)[0]
    return _said(capability(RESOURCES, url=url, software=_software(), on=clock.today()))


@csrf_exempt
def nothing_here(request: HttpRequest, rest: str = "") -> HttpResponse:
    """Any other address of the facade."""
    words = _("There is no such resource type or id here. See metadata for what there is.")
    return _said(outcome("not-found", "not_found", words), 404)
