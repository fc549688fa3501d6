"""Addresses of this part."""

from django.urls import URLPattern

from screening import urls_intake

app_name = "screening"
urlpatterns: list[URLPattern] = [
    *urls_intake.urlpatterns,
]
