"""What the laboratory's views share: who asks, and how a refusal is shown."""

from typing import cast

from django.contrib import messages
from django.http import HttpRequest
from django.utils.translation import gettext as _

from results.forms_lab import SignedBySecond
from results.services.asked_second import Question, second_ask
from staff.errors import RoundbookError
from staff.models import User
from staff.second import signs


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


def refuse(request: HttpRequest, error: RoundbookError) -> None:
    """Show why it was refused at the top of the next page."""
    messages.error(request, str(error.sentence))


def asked_elsewhere(request: HttpRequest, form: SignedBySecond, question: Question) -> bool:
    """Whether the question of a valid form was put to a second person somewhere else; the form says why if it was not."""
    try:
        second_ask(by=actor(request), question=question)
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return False
    messages.success(
        request, _("Asked. Nothing has changed yet: it is done when a second person agrees, by the next working day.")
    )  # fmt: skip
    return True


def second_signs(request: HttpRequest, form: SignedBySecond) -> bool:
    """Whether the second person of a valid form signs with their own password; wrong ones count as failed sign-ins do.

    The form says so where they do not.
    """
    person: User = form.cleaned_data["second"]
    password = form.cleaned_data["second_password"]
    if signs(request, person, password):
        return True
    form.add_error(
        "second_password", _("This is not the password of the second person. Nothing was changed.")
    )
    return False
