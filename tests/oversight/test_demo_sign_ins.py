"""The demo tells who can sign in, and with which password."""

from io import StringIO

import pytest
from django.core.management import call_command

from oversight.rehearsal.setting import DEMO_PASSWORD
from staff.models import User


def _printed() -> str:
    out = StringIO()
    call_command("demo_sign_ins", stdout=out)
    return out.getvalue()


@pytest.mark.usefixtures("region")
def test_everybody_with_a_role_is_named_and_the_password_is_printed() -> None:
    words = _printed()
    assert all(user.username in words for user in User.objects.filter(postings__isnull=False))
    assert DEMO_PASSWORD in words


@pytest.mark.usefixtures("region")
def test_no_password_is_printed_that_does_not_open_the_door() -> None:
    for user in User.objects.all():
        user.set_password("changed since then")
        user.save()
    assert DEMO_PASSWORD not in _printed()
