"""What the laboratory's views share: who asks, and how a refusal is shown."""

from typing import cast

from django.contrib import messages
from django.contrib.auth import authenticate
from django.http import HttpRequest

from staff.errors import RoundbookError
from staff.models import User


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


def refuse(request: HttpRequest, error: RoundbookError) -> None:
    """Show why it was refused at the top of the next page."""
    messages.error(request, str(error.sentence))


def signs(request: HttpRequest, person: User, password: str) -> bool:
    """Whether a second person signs with their own password; wrong ones count as failed sign-ins do."""
    found = authenticate(request, username=person.get_username(), password=password)
    return found is not None and found.pk == person.pk
