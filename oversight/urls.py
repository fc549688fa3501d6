"""Addresses of this part."""

from django.urls import URLPattern, path

from oversight.views import dashboard, proof

app_name = "oversight"
urlpatterns: list[URLPattern] = [
    path("how-are-we-doing/", dashboard.how_are_we_doing, name="dashboard"),
    path("nobody-falls-through/", proof.nobody_falls_through, name="proof"),
    path("nobody-falls-through/run/", proof.prove_now, name="prove-now"),
]
