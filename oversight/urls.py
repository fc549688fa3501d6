"""Addresses of this part."""

from django.urls import URLPattern

app_name = "oversight"
urlpatterns: list[URLPattern] = []
