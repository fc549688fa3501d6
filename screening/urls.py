"""Addresses of this part."""

from django.urls import URLPattern

app_name = "screening"
urlpatterns: list[URLPattern] = []
