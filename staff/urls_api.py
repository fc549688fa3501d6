"""Addresses of the doors' own: the description, its page, and who a token is."""

from django.urls import path

from staff.api import views

app_name = "staff-api"
urlpatterns = [
    path("schema", views.schema, name="schema"),
    path("docs", views.docs, name="docs"),
    path("me", views.Me.as_view(), name="me"),
]
