"""Addresses of this part."""

from django.urls import URLPattern

from results import urls_followup, urls_lab

app_name = "results"
urlpatterns: list[URLPattern] = []
urlpatterns += urls_lab.urlpatterns
urlpatterns += urls_followup.urlpatterns
