"""Addresses of this part's resources in the FHIR facade."""

from outreach.fhir.resources import RESOURCES
from staff.fhir.addresses import addresses

app_name = "outreach-fhir"
urlpatterns = addresses(RESOURCES)
