"""Addresses of this part."""

from django.urls import URLPattern

from screening import urls_intake, urls_people

app_name = "screening"
urlpatterns: list[URLPattern] = [
    *urls_intake.urlpatterns,
    *urls_people.urlpatterns,
]
