"""The two addresses of each resource type: by id, and to search."""

from collections.abc import Iterable

from django.urls import URLPattern, path

from staff.fhir.base import Resource, doors_of


def addresses(resources: Iterable[Resource]) -> list[URLPattern]:
    """`Patient/41` as `Patient`, and `Patient` as `Patient-search`, for each type."""
    found: list[URLPattern] = []
    for one in resources:
        read, search = doors_of(one)
        found.append(path(f"{one.name}/<key:pk>", read.as_view(), name=one.name))
        found.append(path(one.name, search.as_view(), name=f"{one.name}-search"))
    return found
