"""Addresses of the whole facade: what it can, and the answer to any other address."""

from django.urls import path

from oversight.fhir import views

app_name = "oversight-fhir"
urlpatterns = [
    path("metadata", views.metadata, name="metadata"),
    path("<path:rest>", views.nothing_here, name="nothing-here"),
]
