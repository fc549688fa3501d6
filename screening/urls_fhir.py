"""Addresses of this part's resources in the FHIR facade."""

from screening.fhir.resources import RESOURCES
from staff.fhir.addresses import addresses

app_name = "screening-fhir"
urlpatterns = addresses(RESOURCES)
