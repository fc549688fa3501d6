"""The pages a person meets when something is in the way say what happened and what to do next."""

from datetime import timedelta

import pytest
from django.contrib.auth.forms import AuthenticationForm
from django.template.loader import render_to_string
from django.test import RequestFactory

PAGES = ("403.html", "403_csrf.html", "404.html", "405.html", "registration/locked.html")


@pytest.mark.parametrize("name", PAGES)
def test_a_page_in_the_way_shows_the_way_on(name: str) -> None:
    context = {"failure_limit": 5, "cooloff_timedelta": timedelta(minutes=15)}
    text = render_to_string(name, context, RequestFactory().get("/"))
    assert 'class="button"' in text
    assert "does not give medical advice" in text


def test_the_failure_page_needs_nothing() -> None:
    text = render_to_string("500.html")
    assert "What to do next" in text
    assert "{" not in text


def test_signing_in_has_labelled_fields_and_a_token() -> None:
    request = RequestFactory().get("/sign-in/")
    text = render_to_string(
        "registration/login.html", {"form": AuthenticationForm(request), "next": "/x/"}, request
    )
    assert 'for="id_username"' in text
    assert 'for="id_password"' in text
    assert "csrfmiddlewaretoken" in text
    assert "page you asked for" in text
