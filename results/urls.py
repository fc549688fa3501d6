"""Addresses of this part."""

from django.urls import URLPattern

app_name = "results"
urlpatterns: list[URLPattern] = []
