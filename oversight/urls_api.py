"""Addresses of this part's doors for programs."""

from django.urls import path

from oversight.api import figures

app_name = "oversight-api"
urlpatterns = [
    path("indicators", figures.Indicators.as_view(), name="indicators"),
    path("proof", figures.Proof.as_view(), name="proof"),
]
