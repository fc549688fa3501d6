"""Every address; each name must be in an app's route table."""

from django.urls import URLPattern, URLResolver, include, path

from staff.views import pages

urlpatterns: list[URLPattern | URLResolver] = [
    path("livez", pages.livez, name="livez"),
    path("readyz", pages.readyz, name="readyz"),
    path("api/", include("staff.urls_api")),
    path("api/", include("screening.urls_api")),
    path("api/", include("results.urls_api")),
    path("api/", include("outreach.urls_api")),
    path("api/", include("oversight.urls_api")),
    path("fhir/", include("screening.urls_fhir")),
    path("fhir/", include("results.urls_fhir")),
    path("fhir/", include("outreach.urls_fhir")),
    path("fhir/", include("oversight.urls_fhir")),
    path("", include("staff.urls")),
    path("", include("screening.urls")),
    path("", include("results.urls")),
    path("", include("outreach.urls")),
    path("", include("oversight.urls")),
]
