"""The description: a valid OpenAPI 3 document with an example of everything, and its page without help from outside.

The document is checked against the published OpenAPI 3.0 JSON schema (as drf-spectacular carries it), every example
against the shape it stands beside.
"""

import re
from typing import Any

import pytest
from django.test import Client
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.validation import validate_schema

from staff.api.views import description
from tests.api.contract import operations, validator

pytestmark = pytest.mark.django_db


def test_it_is_valid_and_nothing_was_guessed() -> None:
    description.cache_clear()
    GENERATOR_STATS.reset()
    found = description()
    validate_schema(found)
    assert dict(GENERATOR_STATS._warn_cache) == {}
    assert dict(GENERATOR_STATS._error_cache) == {}
    assert len(operations(found)) > 40


def test_every_operation_has_words_a_key_where_it_changes_and_examples_that_fit_their_shapes() -> None:
    found = description()
    for one in operations(found):
        told: dict[str, Any] = one.told
        assert told["summary"], one.name
        headers = {p["name"] for p in told.get("parameters", ()) if p["in"] == "header" and p.get("required")}
        assert ("Idempotency-Key" in headers) == (one.method == "post"), one.name
        bodies = [*told["responses"].values(), *([told["requestBody"]] if one.method == "post" else [])]
        examples = 0
        for body in bodies:
            for content in body.get("content", {}).values():
                for example in content.get("examples", {}).values():
                    validator(found, content["schema"]).validate(example["value"])
                    examples += 1
        assert examples >= 2, one.name


def test_the_page_names_every_address_and_asks_nothing_of_another_host() -> None:
    page = Client().get("/api/docs")
    text = page.content.decode()
    for one in operations(description()):
        assert f'id="{one.name}"' in text
        assert one.path in text
    policy = page.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "unsafe" not in policy
    assert re.search(r'(src|href|action)="(https?:)?//', text) is None
    assert re.search(r"<script(?![^>]*src=)|<style|\sstyle=|\son[a-z]+=", text) is None
