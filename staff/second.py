"""A second person signs at the screen of the first, by their own password."""

from django.contrib.auth import authenticate
from django.http import HttpRequest

from staff.models import User


def signs(request: HttpRequest, person: User, password: str) -> bool:
    """Whether this is the person's own password; a wrong one counts as a failed sign-in does."""
    found = authenticate(request, username=person.get_username(), password=password)
    return found is not None and found.pk == person.pk
