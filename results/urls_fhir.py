"""Addresses of this part's resources in the FHIR facade."""

from results.fhir.resources import RESOURCES
from staff.fhir.addresses import addresses

app_name = "results-fhir"
urlpatterns = addresses(RESOURCES)
