"""Addresses of the ground floor."""

from django.urls import path

from staff.views import clients, pages

app_name = "staff"
urlpatterns = [
    path("", pages.home, name="home"),
    path("sign-in/", pages.SignIn.as_view(), name="sign-in"),
    path("sign-out/", pages.SignOut.as_view(), name="sign-out"),
    path("programs/", clients.clients, name="clients"),
    path("programs/<int:pk>/token/", clients.token, name="client-token"),
    path("programs/<int:pk>/revoke/", clients.revoke, name="client-revoke"),
]
