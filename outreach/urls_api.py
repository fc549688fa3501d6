"""Addresses of this part's doors for programs."""

from django.urls import path

from outreach.api import letters

app_name = "outreach-api"
urlpatterns = [path("letters", letters.Letters.as_view(), name="letters")]
